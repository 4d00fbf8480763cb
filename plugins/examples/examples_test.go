// Package examples tests the worked examples in Python; those in Go have tests of their own.
package examples

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/conformance"
	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/python/pythontest"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var inPython = []string{"palette-effective-hues", "difference-hyab"}

func folder(name string) string { return sdk.ExecutablePrefix + name }

func start(t testing.TB, path string) *host.Process {
	t.Helper()
	sockets, err := os.MkdirTemp("", "cv")
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, os.RemoveAll(sockets)) })
	p, err := host.Start(context.Background(), host.Config{Path: path, SocketParent: sockets, StartTimeout: plugintest.Patience})
	require.NoError(t, err)
	t.Cleanup(func() { p.Stop(3 * time.Second) })
	return p
}

func startPython(t testing.TB, name string) *host.Process {
	t.Helper()
	return start(t, filepath.Join(pythontest.Folder(t, folder(name)), sdk.ExecutablePrefix+name))
}

func TestUnits(t *testing.T) {
	for _, name := range inPython {
		t.Run(name, func(t *testing.T) { pythontest.Unittest(t, folder(name)) })
	}
}

func TestConformance(t *testing.T) {
	for _, name := range inPython {
		t.Run(name, func(t *testing.T) {
			report, err := conformance.Run(t.Context(), conformance.Target{Folder: pythontest.Folder(t, folder(name))}, conformance.Options{Patience: plugintest.Patience})
			require.NoError(t, err)
			assert.True(t, report.Passed(), "%s", report)
			for _, s := range report.Steps {
				assert.NotEqual(t, conformance.NotTried, s.Outcome, s.Name)
			}
		})
	}
}

// TestConformanceWhenHeld tries the modules as production starts them: without files, sockets and processes of their own.
func TestConformanceWhenHeld(t *testing.T) {
	if err := sandbox.Survey().CheckProduction(); err != nil {
		t.Skipf("plugins/sdk/sandbox fails where this is not allowed: %v", err)
	}
	for _, name := range inPython {
		for _, profile := range []sandbox.Profile{sandbox.Local, sandbox.Production} {
			t.Run(name+" "+string(profile), func(t *testing.T) {
				at := pythontest.Folder(t, folder(name))
				text, err := os.ReadFile(filepath.Join(at, sdk.ExecutablePrefix+name))
				require.NoError(t, err)
				sum := sha256.Sum256(text)
				report, err := conformance.Run(t.Context(), conformance.Target{Folder: at}, conformance.Options{
					SHA256: sum[:], Patience: plugintest.Patience, Sandbox: sandbox.Policy{Profile: profile, Wish: sandbox.Wish{Runtime: sandbox.RuntimePython3}},
				})
				require.NoError(t, err)
				assert.True(t, report.Passed(), "%s", report)
			})
		}
	}
}

func TestAuthorsWriteAtMost40Lines(t *testing.T) {
	for _, name := range inPython {
		lines := 0
		for _, file := range []string{"method.py", sdk.ExecutablePrefix + name} {
			text, err := os.ReadFile(filepath.Join(folder(name), file))
			require.NoError(t, err)
			for _, b := range text {
				if b == '\n' {
					lines++
				}
			}
		}
		assert.LessOrEqual(t, lines, 40, name)
	}
}

func condition() *typesv1.ColourCondition {
	return &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}
}

// rows makes n readings of invented colours in 4 groups, 50 blocks, 3 strata and some cells, in chunks of at most 1 MiB.
func rows(n int) (*columnsv1.Labels, []*columnsv1.ColourColumns) {
	r := rand.New(rand.NewPCG(1, 2))
	labels := &columnsv1.Labels{}
	list := func(prefix string, n int) (out []string) {
		for i := range n {
			out = append(out, fmt.Sprintf("%s %d", prefix, i))
		}
		return out
	}
	labels.Groups, labels.Blocks, labels.Strata, labels.Cells = list("group", 4), list("block", 50), list("stratum", 3), list("cell", 40)
	var chunks []*columnsv1.ColourColumns
	for i := range n {
		if i%8000 == 0 {
			chunks = append(chunks, &columnsv1.ColourColumns{})
		}
		c := chunks[len(chunks)-1]
		c.ReadingId = append(c.ReadingId, fmt.Sprintf("0190a000-0000-7000-8000-%012d", i))
		c.Group, c.Block = append(c.Group, r.Uint32N(4)), append(c.Block, r.Uint32N(50))
		c.Stratum, c.Cell = append(c.Stratum, r.Uint32N(3)), append(c.Cell, r.Uint32N(40))
		c.L, c.A, c.B = append(c.L, 20+60*r.Float64()), append(c.A, 60*r.Float64()-30), append(c.B, 60*r.Float64()-30)
	}
	return labels, chunks
}

// score asks a palette module for its scores of rows.
func score(ctx context.Context, p *host.Process, labels *columnsv1.Labels, chunks []*columnsv1.ColourColumns) ([]*palettev2.ScorePalettesResponse, error) {
	stream, err := palettev2.NewPaletteServiceClient(p.Conn()).ScorePalettes(ctx)
	if err != nil {
		return nil, err
	}
	n := 0
	for _, c := range chunks {
		n += len(c.GetReadingId())
	}
	header := &palettev2.ScoresHeader{Condition: condition(), Labels: labels, RowCount: int64(n)}
	parts := []*palettev2.ScorePalettesRequest{{Part: &palettev2.ScorePalettesRequest_Header{Header: header}}}
	for _, c := range chunks {
		parts = append(parts, &palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Columns{Columns: &palettev2.ScoredColumns{Colours: c}}})
	}
	for _, part := range parts {
		if err := stream.Send(part); errors.Is(err, io.EOF) {
			break // the reason comes below
		} else if err != nil {
			return nil, err
		}
	}
	if err := stream.CloseSend(); err != nil {
		return nil, err
	}
	var out []*palettev2.ScorePalettesResponse
	for {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return nil, err
		}
		out = append(out, m)
	}
}

// TestPythonAndGoAgreeSideBySide asks two processes, one in Python and one in Go, at the same time for the figures that both compute, each in its
// own way.
func TestPythonAndGoAgreeSideBySide(t *testing.T) {
	inPython := startPython(t, "palette-effective-hues")
	program := filepath.Join(t.TempDir(), sdk.ExecutablePrefix+"palette-width")
	build := exec.CommandContext(t.Context(), "go", "build", "-o", program, "../palette/cmd/commonvat-module-palette-width")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	built, err := build.CombinedOutput()
	require.NoError(t, err, "%s", built)
	inGo := start(t, program)

	labels, chunks := rows(400)
	type answer struct {
		m   []*palettev2.ScorePalettesResponse
		err error
	}
	python := make(chan answer, 1)
	go func() {
		m, err := score(t.Context(), inPython, labels, chunks)
		python <- answer{m, err}
	}()
	parts := []*palettev1.MeasureWidthsRequest{{Part: &palettev1.MeasureWidthsRequest_Header{
		Header: &palettev1.WidthsHeader{Condition: condition(), Labels: labels, RowCount: 400}}}}
	for _, c := range chunks {
		parts = append(parts, &palettev1.MeasureWidthsRequest{Part: &palettev1.MeasureWidthsRequest_Columns{Columns: c}})
	}
	client := palettev1.NewPaletteServiceClient(inGo.Conn())
	want, err := moduletest.Ask(t.Context(), func(ctx context.Context) (palettev1.PaletteService_MeasureWidthsClient, error) {
		return client.MeasureWidths(ctx)
	}, parts...)
	require.NoError(t, err)
	got := <-python
	require.NoError(t, got.err)
	require.Len(t, got.m, 1)
	require.Len(t, got.m[0].GetGroups(), 12)
	require.Len(t, want.GetGroups(), 12)
	for i, w := range want.GetGroups() {
		g := got.m[0].GetGroups()[i]
		assert.Equal(t, []uint32{w.GetGroup(), w.GetStratum()}, []uint32{g.GetGroup(), g.GetStratum()})
		assert.InEpsilon(t, w.GetEffectiveHues(), g.GetScores()[0].GetValue(), 1e-9)
		assert.InEpsilon(t, w.GetLargestHueGapDeg(), g.GetScores()[1].GetValue(), 1e-9)
	}
}

func TestDifferences(t *testing.T) {
	client := differencev1.NewDifferenceServiceClient(startPython(t, "difference-hyab").Conn())
	req := &differencev1.ComputeDifferencesRequest{Condition: condition(), Formula: "hyab", Pairs: []*differencev1.ColourPair{
		{Reference: &typesv1.Lab{L: 50, A: 3, B: 4}, Sample: &typesv1.Lab{L: 40}}, // 10 + 5, by hand
		{Reference: &typesv1.Lab{L: 50, A: 3, B: 4}, Sample: &typesv1.Lab{L: 50, A: 3, B: 4}},
	}}
	got, err := client.ComputeDifferences(t.Context(), req)
	require.NoError(t, err)
	assert.Equal(t, []float64{15, 0}, got.GetDifferences())
	assert.Equal(t, "HyAB", got.GetFormula())

	req.Formula, req.KL, req.Pairs[1].Sample = "cie76", 2, nil
	_, err = client.ComputeDifferences(t.Context(), req)
	assert.Equal(t, map[string]string{"formula": `is "cie76", want hyab`, "k_l": "is 2, want 0 or 1: hyab has no factors",
		"pairs[1].sample": "is missing, want l, a and b"}, moduletest.Refused(t, err))
}
