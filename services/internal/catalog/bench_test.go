package catalog_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
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
		_, err := asks.ComputeDifference(b.Context(), condition, pipeline.Formula{Name: "ciede2000"}, reference, sample)
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

func (source) Serving(string, string) []string { return nil }

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

// BenchmarkSwaps holds the slowest calls while a module is swapped over and over against those without: 8 callers, by turns of equal length
// within one process, so that what else the machine does falls on both. It reports both 99.9th percentiles and their ratio, wanted at most 3. With b.N of 100
// each side makes 100,000 calls:
//
//	go test -run '^$' -bench '^BenchmarkSwaps$' -benchtime 100x -count 5 ./services/internal/catalog
func BenchmarkSwaps(b *testing.B) {
	c, digests := swapping(b, []string{"1.0.0", "2.0.0"})
	const callers, perTurn = 8, 1000
	swaps := 0
	turn := func(swap bool) (took []time.Duration) {
		stop := make(chan struct{})
		var swapping, calling sync.WaitGroup
		if swap {
			swapping.Go(func() {
				for n := 0; ; n, swaps = n+1, swaps+1 {
					select {
					case <-stop:
						return
					default:
					}
					if err := c.Activate(b.Context(), digests[n%2], nil); err != nil {
						b.Error(err)
						return
					}
				}
			})
		}
		each := make([][]time.Duration, callers)
		for i := range callers {
			calling.Go(func() {
				for range perTurn / callers {
					began := time.Now()
					h, err := c.Acquire(sdk.KindPalette)
					if err == nil {
						_, err = echo.Call(b.Context(), h, []byte("version"))
						h.Release()
					}
					if err != nil {
						b.Error(err)
						return
					}
					each[i] = append(each[i], time.Since(began))
				}
			})
		}
		calling.Wait()
		close(stop)
		swapping.Wait()
		return slices.Concat(each...)
	}
	var with, without []time.Duration
	for b.Loop() {
		without = append(without, turn(false)...)
		with = append(with, turn(true)...)
	}
	worst := func(of []time.Duration) float64 {
		slices.Sort(of)
		return float64(of[len(of)*999/1000].Microseconds())
	}
	b.ReportMetric(worst(with)/worst(without), "p99.9-ratio(limit-3)")
	b.ReportMetric(float64(len(with)), "calls-each")
	b.ReportMetric(float64(swaps)/float64(b.N), "swaps/1000-calls")
	b.ReportMetric(worst(without), "p99.9-without-µs")
	b.ReportMetric(worst(with), "p99.9-with-µs")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkStart is the time from the start of a module's process to its first answer, verified and brought to serve beside the one whose place it takes. Wanted
// at most 150 ms for one in Go.
func BenchmarkStart(b *testing.B) {
	c, digests := swapping(b, []string{"1.0.0", "2.0.0"})
	var all []time.Duration
	for n := 0; b.Loop(); n++ {
		began := time.Now()
		if err := c.Activate(b.Context(), digests[(n+1)%2], nil); err != nil {
			b.Fatal(err)
		}
		h, err := c.Acquire(sdk.KindPalette)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := echo.Call(b.Context(), h, []byte("version")); err != nil {
			b.Fatal(err)
		}
		all = append(all, time.Since(began))
		h.Release()
	}
	slices.Sort(all)
	b.ReportMetric(float64(all[len(all)/2].Microseconds())/1000, "ms-median(limit-150)")
	b.ReportMetric(float64(all[len(all)-1].Microseconds())/1000, "ms-worst")
	b.ReportMetric(0, "ns/op")
}
