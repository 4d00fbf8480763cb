package pipeline_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pipeline/pipelinetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

var d65 = trial.ColourCondition{Illuminant: trial.IlluminantD65, Observer: trial.Observer10}

func labs(n int) []trial.RawColour {
	out := make([]trial.RawColour, n)
	for i := range out {
		out[i] = trial.RawColour{Lab: &trial.Lab{L: float64(i % 100), A: 1, B: 2}, LabCondition: d65}
	}
	return out
}

// blamed checks that an error is a refused answer and names module and field.
func blamed(t *testing.T, err error, module, text string) {
	t.Helper()
	require.ErrorIs(t, err, pipeline.ErrModuleAnswer)
	var fault *pipeline.ModuleError
	require.ErrorAs(t, err, &fault)
	assert.Equal(t, module, fault.Module)
	assert.Contains(t, err.Error(), module)
	assert.Contains(t, fault.Reason, text)
}

func TestColoursComeInOrderAndInBatches(t *testing.T) {
	modules := pipelinetest.Start(t)
	reader, err := pipeline.New(modules).OpenReading()
	require.NoError(t, err)
	defer reader.Close()
	assert.Equal(t, "test-reading", reader.Identity().GetName())
	raws := append(labs(2*pipeline.ReadingBatch+1), trial.RawColour{Spectrum: &trial.Spectrum{StartNm: 400, StepNm: 10}})
	colours, err := reader.Compute(t.Context(), d65, raws)
	require.NoError(t, err)
	require.Len(t, colours, len(raws))
	for i, c := range colours[:len(colours)-1] {
		require.Empty(t, c.Fault)
		require.Equal(t, float64(i%100), c.Lab.L)
	}
	assert.Contains(t, colours[len(colours)-1].Fault, "reflectance")
}

func TestWrongColoursAreBlamed(t *testing.T) {
	for name, spoil := range map[string]func(*readingv1.ComputeColoursResponse){
		"2 answers for 3":               func(r *readingv1.ComputeColoursResponse) { r.Colours = r.GetColours()[:2] },
		"4 answers for 3":               func(r *readingv1.ComputeColoursResponse) { r.Colours = append(r.GetColours(), r.GetColours()[0]) },
		"colours[1].lab is (NaN":        func(r *readingv1.ComputeColoursResponse) { r.GetColours()[1].GetLab().L = math.NaN() },
		"allowed: L* 0 to 150":          func(r *readingv1.ComputeColoursResponse) { r.GetColours()[2].GetLab().B = -201 },
		"neither lab nor fault":         func(r *readingv1.ComputeColoursResponse) { r.GetColours()[0].Lab = nil },
		"both lab and the fault":        func(r *readingv1.ComputeColoursResponse) { r.GetColours()[0].Fault = "x" },
		"strength_ks is -1":             func(r *readingv1.ComputeColoursResponse) { r.GetColours()[0].StrengthKs = proto.Float64(-1) },
		"colours[0].strength_nm is +In": func(r *readingv1.ComputeColoursResponse) { r.GetColours()[0].StrengthNm = math.Inf(1) },
	} {
		t.Run(name, func(t *testing.T) {
			modules := pipelinetest.Start(t)
			modules.SpoilReading(spoil)
			reader, err := pipeline.New(modules).OpenReading()
			require.NoError(t, err)
			defer reader.Close()
			_, err = reader.Compute(t.Context(), d65, labs(3))
			blamed(t, err, "test-reading", name)
			assert.Positive(t, modules.Blamed(), "whoever keeps the module is told")
		})
	}
}

func TestWrongDifferencesAreBlamed(t *testing.T) {
	modules := pipelinetest.Start(t)
	p := pipeline.New(modules)
	d, err := p.ComputeDifference(t.Context(), d65, pipeline.Formula{Name: "cie76"}, trial.Lab{L: 50}, trial.Lab{L: 53, A: 4})
	require.NoError(t, err)
	assert.InDelta(t, 5, d.Value, 1e-12)
	assert.Equal(t, "test-difference", d.Module.GetName())
	for name, spoil := range map[string]func(*differencev1.ComputeDifferencesResponse){
		"0 figures for 1 pair":  func(r *differencev1.ComputeDifferencesResponse) { r.Differences = nil },
		"differences[0] is NaN": func(r *differencev1.ComputeDifferencesResponse) { r.Differences[0] = math.NaN() },
		"differences[0] is -1":  func(r *differencev1.ComputeDifferencesResponse) { r.Differences[0] = -1 },
		"formula is missing":    func(r *differencev1.ComputeDifferencesResponse) { r.Formula = "" },
	} {
		t.Run(name, func(t *testing.T) {
			modules.SpoilDifference(spoil)
			_, err := p.ComputeDifference(t.Context(), d65, pipeline.Formula{Name: "cie76"}, trial.Lab{}, trial.Lab{})
			blamed(t, err, "test-difference", name)
		})
	}
}

// rows makes n rows over two groups, two blocks, one stratum and n/4 cells.
func rows(n int) (pipeline.Labels, []pipeline.Row) {
	labels := pipeline.Labels{Groups: []string{"weld > indigo", "indigo > weld"}, Blocks: []string{"s1", "s2"}, Strata: []string{"wool"}}
	var out []pipeline.Row
	for i := range n {
		if i%4 == 0 {
			labels.Cells = append(labels.Cells, fmt.Sprintf("cell %d", i/4+1))
		}
		lab := trial.Lab{L: float64(20 + i%50), A: float64(i % 7)}
		if i%2 == 0 {
			lab.A *= 3
		}
		out = append(out, pipeline.Row{ReadingID: uuid.MustParse(fmt.Sprintf("%08d-0000-7000-8000-000000000000", n-i)), Group: uint32(i % 2), Block: uint32(i / 2 % 2), Cell: uint32(i / 4), Lab: lab})
	}
	return labels, out
}

func TestRowsTravelInOrderAndInSmallChunks(t *testing.T) {
	modules := pipelinetest.Start(t)
	labels, many := rows(30_000)
	_, identity, err := pipeline.New(modules).MeasureWidths(t.Context(), pipeline.WidthsQuestion{
		Condition: d65, Labels: labels, Rows: pipeline.InOrder(many), ThresholdDE00: 5, Seed: 7,
	})
	require.NoError(t, err)
	assert.Equal(t, "test-palette", identity.GetName())
	received := modules.Widths()[0]
	assert.EqualValues(t, len(many), received.Widths.GetRowCount())
	assert.Greater(t, len(received.Chunks), 1)
	var ids []string
	for _, c := range received.Chunks {
		assert.LessOrEqual(t, proto.Size(&palettev1.MeasureWidthsRequest{Part: &palettev1.MeasureWidthsRequest_Columns{Columns: c}}), 1<<20)
		ids = append(ids, c.GetReadingId()...)
	}
	assert.Len(t, ids, len(many))
	assert.True(t, slices.IsSorted(ids))
}

func TestADoubledReadingIsRefusedBeforeItIsSent(t *testing.T) {
	labels, some := rows(8)
	p := pipeline.New(pipelinetest.Start(t))
	_, _, err := p.MeasureWidths(t.Context(), pipeline.WidthsQuestion{Labels: labels, Rows: pipeline.RowList(some), ThresholdDE00: 5})
	require.ErrorContains(t, err, "out of order", "newest first")
	some[1].ReadingID = some[0].ReadingID
	_, _, err = p.MeasureWidths(t.Context(), pipeline.WidthsQuestion{Labels: labels, Rows: pipeline.InOrder(some), ThresholdDE00: 5})
	require.ErrorContains(t, err, "twice")
	_, _, err = p.CompareOrders(t.Context(), pipeline.OrdersQuestion{Labels: labels, Rows: some, ThresholdDE00: 5})
	require.ErrorContains(t, err, "twice")
}

func TestTooManyLabelsAreRefused(t *testing.T) {
	labels, some := rows(8)
	for i := range 100_000 {
		labels.Cells = append(labels.Cells, fmt.Sprintf("a cell with a name that is rather long, number %d: %0130d", i, i))
	}
	_, _, err := pipeline.New(pipelinetest.Start(t)).CompareOrders(t.Context(), pipeline.OrdersQuestion{Labels: labels, Rows: some, ThresholdDE00: 5})
	require.ErrorIs(t, err, pipeline.ErrTooLarge)
}

func TestWrongWidthsAreBlamed(t *testing.T) {
	type response = palettev1.MeasureWidthsResponse
	for name, spoil := range map[string]func(*response){
		"threshold_de00 is 6":              func(r *response) { r.ThresholdDe00 = 6 },
		"seed is 99":                       func(r *response) { r.Seed = 99 },
		"search_nodes_used":                func(r *response) { r.SearchNodesUsed = -1 },
		"groups has 1 answers for 2":       func(r *response) { r.Groups = r.GetGroups()[:1] },
		"names group 9":                    func(r *response) { r.GetGroups()[1].Group = 9 },
		"names group 0 in stratum 4":       func(r *response) { r.GetGroups()[0].Stratum = 4 },
		"out of order or doubled: stratum": func(r *response) { slices.Reverse(r.GetGroups()) },
		"groups[0].readings is 3":          func(r *response) { r.GetGroups()[0].Readings = 3 },
		"groups[0].cells is 0":             func(r *response) { r.GetGroups()[0].Cells = 0 },
		"groups[0].blocks is 3":            func(r *response) { r.GetGroups()[0].Blocks = 3 },
		"groups[0].hull_status":            func(r *response) { r.GetGroups()[0].HullStatus = 0 },
		"groups[1].dispersion is NaN":      func(r *response) { r.GetGroups()[1].Dispersion = math.NaN() },
		"groups[1].hull_side is -1":        func(r *response) { r.GetGroups()[1].HullSide = -1 },
		"largest_hue_gap_deg is 361":       func(r *response) { r.GetGroups()[1].LargestHueGapDeg = proto.Float64(361) },
		"effective_hues is NaN":            func(r *response) { r.GetGroups()[1].EffectiveHues = proto.Float64(math.NaN()) },
		"groups[0].shades[0] is 3 to 2":    func(r *response) { r.GetGroups()[0].Shades[0].AtLeast, r.GetGroups()[0].Shades[0].AtMost = 3, 2 },
		"at most 8 cells":                  func(r *response) { r.GetGroups()[0].Shades[0].AtMost = 9 },
		"none at the threshold 5":          func(r *response) { r.GetGroups()[0].Shades = nil },
		"equal_number is 9":                func(r *response) { r.GetGroups()[0].EqualNumber = 9 },
		"without an equal_number":          func(r *response) { r.GetGroups()[0].EqualNumber = 0 },
		"shades_at_equal_number is missing": func(r *response) {
			r.GetGroups()[0].ShadesAtEqualNumber = nil
		},
		"one end of its interval": func(r *response) { r.GetGroups()[0].ShadesAtEqualNumber.Low = proto.Float64(1) },
		"allowed: low not above high": func(r *response) {
			e := r.GetGroups()[0].ShadesAtEqualNumber
			e.Low, e.High = proto.Float64(3), proto.Float64(2)
		},
		"shades_at_equal_number is +Inf":   func(r *response) { r.GetGroups()[0].ShadesAtEqualNumber.Value = math.Inf(1) },
		"pairs[0] names groups 1 and 1":    func(r *response) { r.GetPairs()[0].GroupA = 1 },
		"pairs[0] names groups 0 and 2":    func(r *response) { r.GetPairs()[0].GroupB = 2 },
		"pairs[1] is out of order":         func(r *response) { r.Pairs = append(r.GetPairs(), r.GetPairs()[0]) },
		"pairs[0].strata is 2":             func(r *response) { r.GetPairs()[0].Strata = 2 },
		"pairs[0] has -1 and":              func(r *response) { r.GetPairs()[0].CellsA = -1 },
		"mean_log_dispersion_ratio is NaN": func(r *response) { r.GetPairs()[0].MeanLogDispersionRatio = proto.Float64(math.NaN()) },
		"mean_shade_difference is NaN":     func(r *response) { r.GetPairs()[0].MeanShadeDifference = proto.Float64(math.NaN()) },
		"over no stratum":                  func(r *response) { r.GetPairs()[0].Strata = 0 },
		"gains of -2":                      func(r *response) { r.GetPairs()[0].GainA = -2 },
	} {
		t.Run(name, func(t *testing.T) {
			modules := pipelinetest.Start(t)
			modules.SpoilWidths(spoil)
			labels, some := rows(16)
			_, _, err := pipeline.New(modules).MeasureWidths(t.Context(), pipeline.WidthsQuestion{Condition: d65, Labels: labels, Rows: pipeline.InOrder(some), ThresholdDE00: 5, Seed: 7})
			blamed(t, err, "test-palette", name)
		})
	}
}

func TestWrongVerdictsAreBlamed(t *testing.T) {
	type response = comparev1.CompareOrdersResponse
	for _, c := range []struct {
		text    string
		closing int32
		spoil   func(*response)
	}{
		{"verdict is VERDICT_UNSPECIFIED", 0, func(r *response) { r.Verdict = 0 }},
		{"verdict is 99", 0, func(r *response) { r.Verdict = 99 }},
		{"seed is 99", 0, func(r *response) { r.Seed = 99 }},
		{"statement is missing", 0, func(r *response) { r.Statement = "" }},
		{"complete_sessions is 3", 0, func(r *response) { r.CompleteSessions = 3 }},
		{"used_sessions is 2", 0, func(r *response) { r.CompleteSessions = 1 }},
		{"matched_cells is -1", 0, func(r *response) { r.MatchedCells = -1 }},
		{"missing is empty", 6, func(r *response) { r.Missing = nil }},
		{"missing[0]", 6, func(r *response) { r.Missing[0].Text = "" }},
		{"without closing_sessions", 0, func(r *response) { r.Verdict = comparev1.Verdict_VERDICT_FIRST_WIDER }},
		{"a p is given without a test", 0, func(r *response) { r.P = proto.Float64(0.01) }},
		{"a p is given without a test", 6, func(r *response) { r.HullP = proto.Float64(0.01) }},
		{"used_sessions is 1", 2, func(r *response) { r.UsedSessions = 1 }},
		{"p is missing", 2, func(r *response) { r.P = nil }},
		{"p_adjusted is missing", 2, func(r *response) { r.PAdjusted = nil }},
		{"p is 1.5", 2, func(r *response) { r.P = proto.Float64(1.5) }},
		{"p is NaN", 2, func(r *response) { r.P = proto.Float64(math.NaN()) }},
		{"p_adjusted is -0.1", 2, func(r *response) { r.PAdjusted = proto.Float64(-0.1) }},
		{"not below p", 2, func(r *response) { r.PAdjusted = proto.Float64(0.001) }},
		{"hull_p is 2", 2, func(r *response) { r.HullP = proto.Float64(2) }},
		{"arrangements is 0", 2, func(r *response) { r.Arrangements = 0 }},
		{"dispersion_first is NaN", 0, func(r *response) { r.DispersionFirst = math.NaN() }},
		{"hull_volume_second is -1", 0, func(r *response) { r.HullVolumeSecond = -1 }},
		{"log_ratio is -Inf", 0, func(r *response) { r.LogRatio = proto.Float64(math.Inf(-1)) }},
		{"log_ratio_se is -1", 0, func(r *response) { r.LogRatioSe = proto.Float64(-1) }},
		{"shades_first is -1", 0, func(r *response) { r.ShadesFirst = -1 }},
		{"mean_shades_second is -1", 0, func(r *response) { r.MeanShadesFirst, r.MeanShadesSecond = proto.Float64(2), proto.Float64(-1) }},
		{"mean_shades_first is NaN", 0, func(r *response) { r.MeanShadesFirst, r.MeanShadesSecond = proto.Float64(math.NaN()), proto.Float64(2) }},
		{"only one of mean_shades_first", 0, func(r *response) { r.MeanShadesFirst, r.MeanShadesSecond = proto.Float64(2), nil }},
		{"none without a complete session", 0, func(r *response) {
			r.UsedSessions, r.MeanShadesFirst, r.MeanShadesSecond = 0, proto.Float64(2), proto.Float64(2)
		}},
		{"with dispersions", 2, func(r *response) {
			r.DispersionFirst, r.DispersionSecond = r.GetDispersionSecond(), r.GetDispersionFirst()
		}},
	} {
		t.Run(c.text, func(t *testing.T) {
			modules := pipelinetest.Start(t)
			modules.SpoilOrders(c.spoil)
			labels, some := rows(16)
			_, _, err := pipeline.New(modules).CompareOrders(t.Context(), pipeline.OrdersQuestion{
				Condition: d65, Labels: labels, Rows: some, ThresholdDE00: 5, ClosingSessions: c.closing, Seed: 7,
			})
			blamed(t, err, "test-compare", c.text)
		})
	}
}

func TestAModuleThatCanNotBeHadIsNamed(t *testing.T) {
	modules := pipelinetest.Start(t)
	p := pipeline.New(modules)
	modules.SetDown(pipeline.KindReading, true)
	_, err := p.OpenReading()
	require.ErrorIs(t, err, pipeline.ErrModuleUnavailable)
	assert.ErrorContains(t, err, "test-reading is down")
	for code, class := range map[codes.Code]error{
		codes.Unavailable:       pipeline.ErrModuleUnavailable,
		codes.ResourceExhausted: pipeline.ErrTooLarge,
		codes.InvalidArgument:   pipeline.ErrModuleRefused,
		codes.Internal:          pipeline.ErrModuleAnswer,
		codes.Unimplemented:     pipeline.ErrModuleAnswer,
	} {
		modules.Fail(status.Error(code, "no"))
		_, err := p.ComputeDifference(t.Context(), d65, pipeline.Formula{Name: "cie76"}, trial.Lab{}, trial.Lab{})
		require.ErrorIs(t, err, class)
		require.ErrorContains(t, err, "test-difference")
		labels, some := rows(8)
		_, _, err = p.MeasureWidths(t.Context(), pipeline.WidthsQuestion{Condition: d65, Labels: labels, Rows: pipeline.InOrder(some), ThresholdDE00: 5})
		require.ErrorIs(t, err, class)
		require.ErrorContains(t, err, "test-palette")
	}
}

// A module that says that a question is too much for it is neither down nor wrong: the caller hears it and what to do, and it isn't blamed, however often.
// So it is where gRPC says it of an answer (the first text is Go's, the second Python's).
func TestAModuleThatTakesNoMoreIsNotBlamed(t *testing.T) {
	modules := pipelinetest.Start(t)
	p := pipeline.New(modules)
	labels, some := rows(8)
	for said, want := range map[string]string{
		"has 40,001 rows, want at most 40,000":                           "has 40,001 rows, want at most 40,000; ask about less, as with a filter",
		"module test-palette: module test-palette: has 2 rows":           "has 2 rows; ask about less, as with a filter", // as the catalog and the SDK name it
		"grpc: received message larger than max (20971520 vs. 16777216)": "its answer would be longer than a message may be; ask about less, as with a filter",
		"SERVER: Sent message larger than max (20971520 vs. 16777216)":   "its answer would be longer than a message may be; ask about less, as with a filter",
	} {
		modules.Fail(status.Error(codes.ResourceExhausted, said))
		for range 5 {
			_, _, err := p.MeasureWidths(t.Context(), pipeline.WidthsQuestion{Condition: d65, Labels: labels, Rows: pipeline.InOrder(some), ThresholdDE00: 5})
			require.ErrorIs(t, err, pipeline.ErrTooLarge)
			require.NotErrorIs(t, err, pipeline.ErrModuleUnavailable)
			require.ErrorContains(t, err, "palette module test-palette: question too large: "+want)
		}
	}
	assert.Zero(t, modules.Blamed())
}

// slow holds every call until its context ends.
type slow struct{ *pipelinetest.Modules }

func (slow) Serving(string, string) []string { return nil }

func (s slow) Acquire(kind string) (pipeline.Handle, error) {
	h, err := s.Modules.Acquire(kind)
	return frozen{h}, err
}

type frozen struct{ pipeline.Handle }

func (f frozen) Invoke(ctx context.Context, _ string, _, _ any, _ ...grpc.CallOption) error {
	// The catalog's handles end a call at a limit of their own.
	ctx, cancel := context.WithTimeout(ctx, 20*time.Millisecond)
	defer cancel()
	<-ctx.Done()
	return status.FromContextError(ctx.Err()).Err()
}

func TestDeadlines(t *testing.T) {
	p := pipeline.New(slow{pipelinetest.Start(t)})
	_, err := p.ComputeDifference(t.Context(), d65, pipeline.Formula{Name: "cie76"}, trial.Lab{}, trial.Lab{})
	require.ErrorIs(t, err, pipeline.ErrModuleTooSlow)
	assert.ErrorContains(t, err, "took too long")
	assert.NotErrorIs(t, err, pipeline.ErrModuleUnavailable, "which clients ask again at once")

	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = p.ComputeDifference(ctx, d65, pipeline.Formula{Name: "cie76"}, trial.Lab{}, trial.Lab{})
	require.ErrorIs(t, err, context.Canceled)
	assert.NotErrorIs(t, err, pipeline.ErrModuleTooSlow, "who gives up blames no module")
}

// nameless has an identity that can't be one.
type nameless struct{ *pipelinetest.Modules }

func (n nameless) Acquire(kind string) (pipeline.Handle, error) {
	h, err := n.Modules.Acquire(kind)
	return anonymous{h}, err
}

type anonymous struct{ pipeline.Handle }

func (anonymous) Identity() *typesv1.ModuleIdentity {
	return &typesv1.ModuleIdentity{Name: "x", Kind: "palette"}
}

func TestProvenanceIsRequired(t *testing.T) {
	_, err := pipeline.New(nameless{pipelinetest.Start(t)}).OpenReading()
	var fault *pipeline.ModuleError
	require.True(t, errors.As(err, &fault))
	assert.ErrorIs(t, err, pipeline.ErrModuleAnswer)
	assert.ErrorContains(t, err, "identity")
}
