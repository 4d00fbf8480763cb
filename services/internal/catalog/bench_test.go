package catalog_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
)

// BenchmarkModuleCall compares a call through the catalog (acquire, deadline, recovery, limits, release) with a call of the
// same bytes to a bare go-plugin process, both over mutual TLS, telemetry off. The two take turns in small batches, so that
// what else the machine does falls on both; the sub-benchmark reports the ratio of the two sums, wanted at most 1.25.
func BenchmarkModuleCall(b *testing.B) {
	c := catalogtest.Open(b, []string{folder(b, "echo")})
	bare := bareConn(b)
	for _, size := range []int{256, 4 << 10, 64 << 10, 1 << 20} {
		b.Run(fmt.Sprintf("%dB", size), func(b *testing.B) {
			in := make([]byte, size)
			ours := func() error {
				h, err := c.Acquire(sdk.KindPalette)
				if err != nil {
					return err
				}
				defer h.Release()
				_, err = echo.Call(b.Context(), h, in)
				return err
			}
			theirs := func() error {
				_, err := echo.Call(b.Context(), bare, in)
				return err
			}
			inTurns(b, ours, theirs)
		})
	}
}

// BenchmarkCheckedCall is one colour difference as the core asks for it, the module checking the request and computing, the pipeline
// checking the answer, against a bare echo of the request's bytes. Wanted at most 1.25 too. A deadline, without which a frozen module
// would hold its caller for ever, costs about a tenth by itself, so the echo is measured with one and without.
func BenchmarkCheckedCall(b *testing.B) {
	const program = "../../../plugins/difference/cmd/commonvat-module-difference-deltae"
	var manifest struct{ Version string }
	text, err := os.ReadFile(filepath.Join(program, "module.json"))
	if err != nil {
		b.Fatal(err)
	}
	if err := json.Unmarshal(text, &manifest); err != nil {
		b.Fatal(err)
	}
	c := catalogtest.Open(b, []string{catalogtest.Build(b, program, "difference-deltae", manifest.Version, sdk.KindDifference)})
	asks := pipeline.New(source{c})
	condition := trial.ColourCondition{Illuminant: trial.IlluminantD65, Observer: trial.Observer10}
	reference, sample := trial.Lab{L: 50, A: 2.5}, trial.Lab{L: 73, A: 25, B: -18}
	bare := bareConn(b)
	request := make([]byte, proto.Size(&differencev1.ComputeDifferencesRequest{
		Condition: &typesv1.ColourCondition{Illuminant: 1, Observer: 2}, Formula: "ciede2000",
		Pairs: []*differencev1.ColourPair{{Reference: &typesv1.Lab{L: 50, A: 2.5}, Sample: &typesv1.Lab{L: 73, A: 25, B: -18}}},
	}))
	ours := func() error {
		_, err := asks.ComputeDifference(b.Context(), condition, "ciede2000", reference, sample)
		return err
	}
	b.Run("against an echo with the same deadline", func(b *testing.B) {
		inTurns(b, ours, func() error {
			ctx, cancel := context.WithTimeout(b.Context(), 5*time.Second)
			defer cancel()
			_, err := echo.Call(ctx, bare, request)
			return err
		})
	})
	b.Run("against an echo that may hang", func(b *testing.B) {
		inTurns(b, ours, func() error {
			_, err := echo.Call(b.Context(), bare, request)
			return err
		})
	})
}

// source lets the pipeline find modules in a catalog, as the core's wiring does.
type source struct{ *catalog.Catalog }

func (s source) Acquire(kind string) (pipeline.Handle, error) {
	h, err := s.Catalog.Acquire(kind)
	if err != nil {
		return nil, err
	}
	return identified{h}, nil
}

type identified struct{ *catalog.Handle }

func (h identified) Identity() *typesv1.ModuleIdentity {
	m := h.Module()
	return &typesv1.ModuleIdentity{Name: m.Name, Version: m.Version, Digest: m.Digest, Kind: m.Kind}
}

// inTurns calls ours and theirs in small batches by turns and reports the ratio of their times.
func inTurns(b *testing.B, ours, theirs func() error) {
	b.Helper()
	const batch = 20
	var sum [2]time.Duration
	calls := 0
	for b.Loop() {
		for i, f := range []func() error{ours, theirs} {
			began := time.Now()
			for range batch {
				if err := f(); err != nil {
					b.Fatal(err)
				}
			}
			sum[i] += time.Since(began)
		}
		calls += batch
	}
	b.ReportMetric(float64(sum[0].Microseconds())/float64(calls), "µs/call")
	b.ReportMetric(float64(sum[1].Microseconds())/float64(calls), "µs/bare-call")
	b.ReportMetric(float64(sum[0])/float64(sum[1]), "ratio")
	b.ReportMetric(0, "ns/op")
}

// bareConn starts this test binary as a go-plugin process without the SDK, by go-plugin alone.
func bareConn(b *testing.B) *grpc.ClientConn {
	b.Helper()
	client := plugin.NewClient(&plugin.ClientConfig{
		HandshakeConfig:  bareHandshake,
		Plugins:          plugin.PluginSet{sdk.PluginName: barePlugin{}},
		Cmd:              exec.Command(filepath.Join(folder(b, "bare"), sdk.ExecutablePrefix+"bare")),
		AllowedProtocols: []plugin.Protocol{plugin.ProtocolGRPC},
		AutoMTLS:         true,
		Logger:           hclog.New(&hclog.LoggerOptions{Output: os.Stderr, Level: hclog.Off}),
	})
	b.Cleanup(client.Kill)
	protocol, err := client.Client()
	if err != nil {
		b.Fatal(err)
	}
	raw, err := protocol.Dispense(sdk.PluginName)
	if err != nil {
		b.Fatal(err)
	}
	return raw.(*grpc.ClientConn)
}
