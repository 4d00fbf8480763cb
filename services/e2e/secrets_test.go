package e2e_test

import (
	"context"
	"encoding/base32"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	collectorv1 "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/emptypb"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
)

// everything keeps all that a collector of traces is sent, as text.
type everything struct {
	collectorv1.UnimplementedTraceServiceServer
	mu   sync.Mutex
	text strings.Builder
}

func (e *everything) Export(_ context.Context, request *collectorv1.ExportTraceServiceRequest) (*collectorv1.ExportTraceServiceResponse, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.text.WriteString(request.String())
	return &collectorv1.ExportTraceServiceResponse{}, nil
}

func (e *everything) String() string {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.text.String()
}

// traits are the forms in which a token could turn up: whole, its secret, most of it (as in a mistyped one), its bytes, and in base 64.
func traits(t *testing.T, token string) map[string]string {
	t.Helper()
	secret := strings.Split(token, "_")[2]
	raw, err := base32.StdEncoding.WithPadding(base32.NoPadding).DecodeString(strings.ToUpper(secret))
	require.NoError(t, err)
	return map[string]string{
		"the token": token, "its secret": secret, "a part of its secret": secret[4:18],
		"the secret's bytes": string(raw), "their hexadecimal form": hex.EncodeToString(raw),
		"the token in base 64":            base64.RawStdEncoding.EncodeToString([]byte(token))[:60],
		"the header in base 64":           base64.RawStdEncoding.EncodeToString([]byte("Bearer " + token))[:60],
		"the secret's bytes in base 64":   base64.RawStdEncoding.EncodeToString(raw),
		"the secret's letters in base 64": base64.RawStdEncoding.EncodeToString([]byte(secret)),
	}
}

// Nothing secret is in a log, an error, a span, a command line, an environment or a file, whatever calls are made, and
// what members wrote is in the store alone. The one who must not have them is whoever reads logs and traces.
func TestSecretsStayWhereTheyBelong(t *testing.T) {
	spans := &everything{}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	collecting := grpc.NewServer()
	collectorv1.RegisterTraceServiceServer(collecting, spans)
	served := make(chan error, 1)
	go func() { served <- collecting.Serve(listener) }()
	t.Cleanup(func() { collecting.Stop(); assert.NoError(t, <-served) })

	l := newLab(t, "ash", "birch", "cedar:member,steward")
	l.installModules("reading-reflectance", "difference-deltae")
	// The libraries talk too.
	l.env = []string{"OTEL_EXPORTER_OTLP_ENDPOINT=http://" + listener.Addr().String(), "OTEL_BSP_SCHEDULE_DELAY=50",
		"GRPC_GO_LOG_SEVERITY_LEVEL=info", "GRPC_GO_LOG_VERBOSITY_LEVEL=99"}
	l.start()
	tokens := map[string]string{}
	for member, file := range l.tokens {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		tokens[member] = strings.TrimSpace(string(text))
	}
	const freeText = "zwetschge" // an invented word of a member's, which nothing else says
	var said strings.Builder     // by the clients, and in errors

	// The command line.
	document, err := os.ReadFile(filepath.Join(root, example))
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "trial.yaml")
	require.NoError(t, os.WriteFile(file, []byte(strings.Replace(string(document), "title: Weld", "title: "+freeText+" and Weld", 1)), 0o600))
	run := func(member string, args ...string) answer {
		a := l.client(member, args...)
		said.WriteString(a.out + a.errors)
		return a
	}
	require.Zero(t, run("ash", "trial", "submit", file).code)
	pieces := l.piecesOf("ash", exampleID)
	l.asks("ash", "difference", pieces["yellow first"].Code, pieces["blue first"].Code)
	for _, args := range [][]string{{"whoami"}, {"trial", "list"}, {"palette"}, {"trial", "show", "nonsense"}, {"trial", "list", "--filter", "colour = 1"},
		{"look", "add", "--piece", pieces["hank"].Code, "--text", freeText}, {"piece", "post", pieces["hank"].Code, "--to", "nobody-here"}} {
		run("ash", args...)
	}

	// Calls by hand.
	conn, err := grpc.NewClient("passthrough:///"+l.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	defer func() { assert.NoError(t, conn.Close()) }()
	calls := 0
	call := func(method string, request proto.Message, pairs ...string) {
		ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(t.Context(), pairs...), 30*time.Second)
		defer cancel()
		err := conn.Invoke(ctx, method, request, &emptypb.Empty{})
		calls++
		if status.Code(err) == codes.Unimplemented {
			return // the library tells the caller the name of the method they asked for, and nobody else
		}
		said.WriteString(fmt.Sprint(err) + status.Convert(err).Proto().String())
	}
	const trials, me = "/commonvat.lab.v1.TrialService/", "/commonvat.access.v1.AccessService/"
	for _, token := range []string{tokens["ash"], tokens["birch"]} {
		flipped := token[:30] + "2" + token[31:]
		for _, header := range [][]string{
			{"authorization", "Bearer " + token}, {"authorization", token}, {"authorization", "Basic " + token}, {"authorization", "bearer  " + token},
			{"authorization", "Bearer " + flipped}, {"authorization", "Bearer " + token[:60]}, {"authorization", "Bearer " + strings.ToUpper(token)},
			{"authorization", "Bearer " + token, "authorization", "Bearer " + token}, {"x-token", token}, {"cookie", "token=" + token},
			{"authorization", "Bearer " + token, "baggage", "token=" + token, "tracestate", "t=" + token, "user-agent", token},
		} {
			call(me+"GetCurrentMember", &accesspb.GetCurrentMemberRequest{}, header...)
		}
		good := []string{"authorization", "Bearer " + token}
		for _, wrong := range []string{token, flipped, freeText + " " + token} {
			call(trials+"GetTrial", &labpb.GetTrialRequest{TrialId: wrong}, good...)
			call(trials+"GetPiece", &labpb.GetPieceRequest{}, good...)
			call(trials+"ListTrials", &labpb.ListTrialsRequest{Filter: `owner = "` + wrong + `"`}, good...)
			call(trials+"ListTrials", &labpb.ListTrialsRequest{Filter: wrong}, good...)
			call(trials+"ListTrials", &labpb.ListTrialsRequest{PageToken: wrong}, good...)
			call(trials+"SubmitTrial", &labpb.SubmitTrialRequest{RequestId: wrong, Trial: &labpb.Trial{Id: wrong, Title: freeText}}, good...)
			call(trials+"PostPiece", &labpb.PostPieceRequest{RequestId: wrong, PieceId: wrong}, good...)
			call("/commonvat.pool.v1.PoolService/AskPalette", &poolpb.AskPaletteRequest{GroupBy: poolpb.GroupBy_GROUP_BY_ORDER, Filter: wrong}, good...)
			call("/commonvat.pool.v1.PoolService/ComparePieces", &poolpb.ComparePiecesRequest{}, good...)
			call(me+"RevokeToken", &accesspb.RevokeTokenRequest{TokenId: wrong}, good...)
			call(me+"RevokeToken", &accesspb.RevokeTokenRequest{TokenId: wrong}, "authorization", "Bearer "+tokens["cedar"])
			call(me+"CreateMember", &accesspb.CreateMemberRequest{Member: &accesspb.Member{Id: wrong, DisplayName: freeText, Roles: []accesspb.Role{1}}},
				"authorization", "Bearer "+tokens["cedar"])
			call(me+"IssueToken", &accesspb.IssueTokenRequest{MemberId: wrong}, "authorization", "Bearer "+tokens["cedar"])
			call(trials+wrong, &emptypb.Empty{}, good...)
			call("/"+wrong+"/GetTrial", &emptypb.Empty{}, good...)
		}
	}
	require.Greater(t, calls, 100)

	// While it runs: what everybody on the machine may see of processes.
	processes := append(l.modulePIDs(), l.core.Process.Pid)
	require.Greater(t, len(processes), 2)
	var seen strings.Builder
	for _, pid := range processes {
		for _, what := range []string{"cmdline", "environ"} {
			text, err := os.ReadFile(fmt.Sprintf("/proc/%d/%s", pid, what))
			require.NoError(t, err)
			seen.Write(text)
		}
	}
	stored, others := l.files()
	l.stop()
	storedAtRest, othersAtRest := l.files()
	stored, others = stored+storedAtRest, others+othersAtRest

	require.Contains(t, spans.String(), "commonvat.lab.v1.TrialService/SubmitTrial", "traces were taken")
	require.Contains(t, l.log(), `"reason":"UNAUTHENTICATED"`, "calls were logged")
	require.Contains(t, stored, freeText, "the store was looked at")
	for member, token := range tokens {
		for trait, text := range traits(t, token) {
			for place, found := range map[string]string{"log": l.log(), "spans": spans.String(), "errors and clients": said.String(),
				"processes": seen.String(), "store": stored, "other files": others} {
				if strings.Contains(found, text) {
					at := strings.Index(found, text)
					t.Errorf("%s of %s is in: %s: ...%q", trait, member, place, found[max(0, at-200):min(len(found), at+len(text)+80)])
				}
			}
		}
	}
	for place, found := range map[string]string{"log": l.log(), "spans": spans.String(), "processes": seen.String(), "other files": others} {
		if at := strings.Index(found, freeText); at >= 0 {
			t.Errorf("what a member wrote is in: %s: ...%q", place, found[max(0, at-200):min(len(found), at+80)])
		}
	}
}

// files reads the data folder: the store's files, and all others but those that are there to hold tokens, and programs.
func (l *lab) files() (stored, others string) {
	l.t.Helper()
	var store, rest strings.Builder
	require.NoError(l.t, filepath.WalkDir(l.data, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || !entry.Type().IsRegular() || strings.HasSuffix(path, ".token") || strings.HasPrefix(filepath.Base(path), "commonvat-module-") {
			return err
		}
		text, err := os.ReadFile(path)
		if strings.HasPrefix(filepath.Base(path), "commonvat.db") {
			store.Write(text)
		} else {
			rest.Write(text)
		}
		return err
	}))
	return store.String(), rest.String()
}
