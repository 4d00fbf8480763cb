package examples

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/python/pythontest"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/require"
)

// BenchmarkPythonFromStartToFirstAnswer starts a process for each round. Wanted: at most 400 ms, with numpy 1 s.
func BenchmarkPythonFromStartToFirstAnswer(b *testing.B) {
	labels, chunks := rows(100)
	scored := func(ctx context.Context, p *host.Process) error {
		_, err := score(ctx, p, labels, chunks)
		return err
	}
	for _, c := range []struct {
		what, name string
		profile    sandbox.Profile
		ask        func(context.Context, *host.Process) error
	}{
		{"without numpy", "difference-hyab", sandbox.Off, func(ctx context.Context, p *host.Process) error {
			_, err := differencev1.NewDifferenceServiceClient(p.Conn()).ComputeDifferences(ctx, &differencev1.ComputeDifferencesRequest{
				Condition: condition(), Formula: "hyab", Pairs: []*differencev1.ColourPair{{Reference: &typesv1.Lab{L: 50}, Sample: &typesv1.Lab{L: 40}}}})
			return err
		}},
		{"with numpy", "palette-effective-hues", sandbox.Off, scored},
		{"with numpy, held", "palette-effective-hues", sandbox.Local, scored},
	} {
		b.Run(c.what, func(b *testing.B) {
			program := filepath.Join(pythontest.Folder(b, folder(c.name)), sdk.ExecutablePrefix+c.name)
			sockets, err := os.MkdirTemp("", "cv")
			require.NoError(b, err)
			defer func() { _ = os.RemoveAll(sockets) }()
			var worst time.Duration
			for b.Loop() {
				began := time.Now()
				p, err := host.Start(context.Background(), host.Config{Path: program, SocketParent: sockets, Sandbox: sandbox.Policy{Profile: c.profile}})
				require.NoError(b, err)
				require.NoError(b, c.ask(b.Context(), p))
				worst = max(worst, time.Since(began))
				b.StopTimer()
				p.Stop(time.Second)
				b.StartTimer()
			}
			b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/start")
			b.ReportMetric(float64(worst.Milliseconds()), "ms-worst")
		})
	}
}

// plain is a method that doesn't import numpy.
const plain = `
from commonvat_sdk import Method, score

@score("lightness_range", "Lightest less darkest cell.", unit="CIELAB units", higher_is_wider=True)
def lightness_range(group):
    return max(group.l) - min(group.l)

METHOD = Method(name="palette-effective-hues", version="0.1.0", author="-", summary="-", scores=[lightness_range])
`

// BenchmarkPythonPaletteOfReadings asks for the scores of 100,000 readings. Wanted: at most 2 s.
func BenchmarkPythonPaletteOfReadings(b *testing.B) {
	labels, chunks := rows(100_000)
	for _, what := range []string{"with numpy", "without numpy"} {
		b.Run(what, func(b *testing.B) {
			at := pythontest.Folder(b, folder("palette-effective-hues"))
			if what == "without numpy" {
				require.NoError(b, os.WriteFile(filepath.Join(at, "method.py"), []byte(plain), 0o600))
			}
			p := start(b, filepath.Join(at, folder("palette-effective-hues")))
			for b.Loop() {
				_, err := score(b.Context(), p, labels, chunks)
				require.NoError(b, err)
			}
			b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/100,000-readings")
			b.ReportMetric(float64(p.MemoryBytes()>>20), "MiB-resident")
		})
	}
}
