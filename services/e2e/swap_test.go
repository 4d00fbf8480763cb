package e2e_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/formula"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
)

// swapped are the builds of the module that is swapped, and what each multiplies the distance of two colours by.
var swapped = map[string]float64{"1.0.0": 1, "2.0.0": 2}

// serveSwapped is a module whose answers tell in three ways which build gave them: by its identity, in words and by the figure.
func serveSwapped() {
	self, err := os.Executable()
	if err != nil {
		panic(err)
	}
	text, err := os.ReadFile(filepath.Join(filepath.Dir(self), "module.json"))
	if err != nil {
		panic(err)
	}
	var manifest struct{ Version string }
	if err := json.Unmarshal(text, &manifest); err != nil {
		panic(err)
	}
	formula.Serve(formula.Formula{
		Name: "difference-swapped", Version: manifest.Version, Author: "test", Summary: "The distance, times a number of the build's.", Word: "cie76",
		Printed: "by " + manifest.Version, Laws: []*describev1.LawPromise{
			{Law: describev1.Law_LAW_IDENTITY}, {Law: describev1.Law_LAW_SYMMETRY}, {Law: describev1.Law_LAW_SHIFT_INVARIANT}, {Law: describev1.Law_LAW_LINEAR},
			{Law: describev1.Law_LAW_ORDER_FREE},
		},
		Of: func(r, s colorimetry.Lab, _ colorimetry.Factors) float64 {
			return swapped[manifest.Version] * colorimetry.CIE76(r, s)
		},
	})
}

// comeAgain is when the core says that whoever it refused may come again.
func comeAgain(err error) (time.Duration, bool) {
	if status.Code(err) != codes.ResourceExhausted {
		return 0, false
	}
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.RetryInfo); ok {
			return info.GetRetryDelay().AsDuration(), true
		}
	}
	return 0, false
}

// 64 clients ask the real core over gRPC while a coordinator activates one build of a module and the other, 50 times: no call fails, no answer is made by two
// builds, and both are seen.
func TestSwapsUnderTheCallsOfMembers(t *testing.T) {
	swaps := 50
	if testing.Short() {
		swaps = 10
	}
	const clients, each, pause = 64, 2, 50 * time.Millisecond // a member may have two questions at a time
	members := []string{"ash", "birch:coordinator"}
	for n := range clients / each {
		members = append(members, fmt.Sprintf("member-%d", n))
	}
	l := newLab(t, members...)
	l.installModules("reading-reflectance")
	var digests []string
	for _, version := range []string{"1.0.0", "2.0.0"} {
		folder := plugintest.Folder(t, "difference-swapped", version, sdk.KindDifference)
		digests = append(digests, strings.Fields(l.tool("commonvatd", "module", "install", folder, "--data", l.data))[0])
	}
	l.start()
	l.does("ash", "trial", "submit", example)
	l.does("ash", "trial", "share", exampleID, "--level", "cooperative")
	pieces := l.piecesOf("ash", exampleID)
	request := &poolv1.ComparePiecesRequest{ReferencePiece: pieces["yellow first"].Code, SamplePiece: pieces["blue first"].Code, Formula: "cie76"}
	l.asks("ash", "difference", request.GetReferencePiece(), request.GetSamplePiece(), "--formula", "cie76")

	// versionOf is the build that an answer is of; it fails where one trait tells of another.
	versionOf := func(r *poolv1.ComparePiecesResponse) (version string) {
		for _, m := range r.GetModules() {
			if m.GetKind() == sdk.KindDifference {
				assert.Empty(t, version, "one module of a kind answers")
				version = m.GetVersion()
			}
		}
		assert.Equal(t, "by "+version, r.GetFormula())
		a, b := r.GetReference(), r.GetSample()
		distance := math.Sqrt(math.Pow(a.GetL()-b.GetL(), 2) + math.Pow(a.GetA()-b.GetA(), 2) + math.Pow(a.GetB()-b.GetB(), 2)) // CIE 15, equation of the CIELAB difference
		assert.InDelta(t, swapped[version]*distance, r.GetDifference(), 1e-9)
		return version
	}
	var over atomic.Bool
	var calls, again, failed atomic.Int64
	seen := map[string]*atomic.Int64{"1.0.0": {}, "2.0.0": {}}
	var asking sync.WaitGroup
	for n := range clients {
		token, err := os.ReadFile(l.tokens[fmt.Sprintf("member-%d", n/each)])
		require.NoError(t, err)
		asking.Go(func() {
			conn, err := grpc.NewClient(l.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
			if !assert.NoError(t, err) {
				return
			}
			defer func() { _ = conn.Close() }()
			ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+strings.TrimSpace(string(token))), 10*callWithin)
			defer cancel()
			time.Sleep(pause * time.Duration(n) / clients) // not all at once
			for ; !over.Load(); time.Sleep(pause) {
				r, err := poolv1.NewPoolServiceClient(conn).ComparePieces(ctx, request)
				if wait, told := comeAgain(err); told { // the core has as many questions as it takes, which it would without swaps, too
					again.Add(1)
					time.Sleep(wait)
					continue
				}
				calls.Add(1)
				if !assert.NoError(t, err) {
					failed.Add(1)
					continue
				}
				if count := seen[versionOf(r)]; count != nil {
					count.Add(1)
				}
			}
		})
	}
	begun := time.Now()
	for n := range swaps {
		l.does("birch", "modules", "activate", digests[(n+1)%2], "--default", "--reason", fmt.Sprintf("swap %d", n+1))
	}
	taken := time.Since(begun)
	over.Store(true)
	asking.Wait()
	t.Logf("%d answers during %d swaps in %s; %d times a client was told to come again", calls.Load(), swaps, taken, again.Load())
	assert.Zero(t, failed.Load(), "of %d calls", calls.Load())
	assert.Positive(t, seen["1.0.0"].Load())
	assert.Positive(t, seen["2.0.0"].Load())
	l.stop()
	assert.Empty(t, l.modulePIDs())
}
