// Package pipelinetest serves modules inside the test process, for tests of what
// happens around modules: how questions are put, and what is done with answers,
// right and wrong ones. Its own answers are simple and obey the contracts. Tests of what modules compute start the
// real ones.
package pipelinetest

import (
	"cmp"
	"context"
	"errors"
	"io"
	"math"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// Modules are the five modules, of which each answer may be replaced or spoilt, and one that rescales baths.
type Modules struct {
	conn *grpc.ClientConn

	mu   sync.Mutex
	down map[string]bool
	// Spoil functions change an answer before it is sent; they may be nil.
	spoilReading    func(*readingv1.ComputeColoursResponse)
	spoilDifference func(*differencev1.ComputeDifferencesResponse)
	spoilWidths     func(*palettev1.MeasureWidthsResponse)
	spoilOrders     func(*comparev1.CompareOrdersResponse)
	spoilOverdye    func(*overdyev1.PredictOverdyeResponse)
	spoilEffect     func(*comparev1.MeasureOrderEffectResponse)
	spoilGroups     func(*comparev1.CompareGroupsResponse)
	spoilWaters     func(*comparev1.CompareWatersResponse)
	waters          []Received
	spoilJudgements func(*comparev1.CountJudgementsResponse)
	lackEffect      bool
	scores          func(*palettev2.ScorePalettesResponse) // nil: not served
	fail            error
	readings        int // measurements computed so far
	widths          []Received
	orders          []Received
	effects         []Received
	groups          []Received
	judgements      []*comparev1.CountJudgementsRequest
	overdyes        []*overdyev1.PredictOverdyeRequest
	held            int
	blamed          int
}

// Received is what a stream brought.
type Received struct {
	Widths *palettev1.WidthsHeader
	Orders *comparev1.CompareHeader
	Effect *comparev1.OrderEffectHeader
	Groups *comparev1.GroupsHeader
	Waters *comparev1.WatersHeader
	Labels *columnsv1.Labels
	Chunks []*columnsv1.ColourColumns
}

// Row is a row with its labels spelt out.
type Row struct{ ID, Group, Block, Stratum, Cell string }

// Rows spells out what was received.
func (r Received) Rows() []Row {
	var out []Row
	for _, c := range r.Chunks {
		for i, id := range c.GetReadingId() {
			out = append(out, Row{id, r.Labels.GetGroups()[c.GetGroup()[i]], r.Labels.GetBlocks()[c.GetBlock()[i]],
				r.Labels.GetStrata()[c.GetStratum()[i]], r.Labels.GetCells()[c.GetCell()[i]]})
		}
	}
	return out
}

// Start serves the modules until the test ends.
func Start(t testing.TB) *Modules {
	t.Helper()
	m := &Modules{down: map[string]bool{}}
	listener := bufconn.Listen(1 << 20)
	server := grpc.NewServer()
	readingv1.RegisterReadingServiceServer(server, reading{m: m})
	differencev1.RegisterDifferenceServiceServer(server, difference{m: m})
	palettev1.RegisterPaletteServiceServer(server, palette{m: m})
	palettev2.RegisterPaletteServiceServer(server, scorer{m: m})
	comparev1.RegisterCompareServiceServer(server, compare{m: m})
	overdyev1.RegisterOverdyeServiceServer(server, overdye{m: m})
	bathscalev1.RegisterBathscaleServiceServer(server, bathscale{})
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = server.Serve(listener) // ends with Stop
	}()
	conn, err := grpc.NewClient("passthrough:///modules", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) { return listener.Dial() }))
	require.NoError(t, err)
	m.conn = conn
	t.Cleanup(func() {
		_ = conn.Close()
		server.Stop()
		<-done
		m.mu.Lock()
		defer m.mu.Unlock()
		if m.held != 0 {
			t.Errorf("%d handles were not released", m.held)
		}
	})
	return m
}

// set changes what the modules answer with.
func set[T any](m *Modules, place *T, value T) {
	m.mu.Lock()
	defer m.mu.Unlock()
	*place = value
}

// listed gives what the modules noted so far.
func listed[T any](m *Modules, of *[]T) []T {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(*of)
}

// rowsOf takes a whole stream of a header and columns.
func rowsOf[H comparable, R interface {
	GetHeader() H
	GetColumns() *columnsv1.ColourColumns
}](receive func() (R, error)) (header H, chunks []*columnsv1.ColourColumns, err error) {
	var none H
	for {
		r, err := receive()
		if errors.Is(err, io.EOF) {
			return header, chunks, nil
		}
		if err != nil {
			return none, nil, err
		}
		if h := r.GetHeader(); h != none {
			header = h
		}
		if c := r.GetColumns(); c != nil {
			chunks = append(chunks, c)
		}
	}
}

type handle struct {
	grpc.ClientConnInterface
	m    *Modules
	kind string
}

func (h *handle) Identity() *typesv1.ModuleIdentity {
	return &typesv1.ModuleIdentity{Name: "test-" + h.kind, Version: "1.0.0", Digest: strings.Repeat("0", 60) + h.kind[:4], Kind: h.kind}
}

// Description implements pipeline.Handle.
func (h *handle) Description() *describev1.DescribeResponse {
	if h.kind == "palette" {
		return &describev1.DescribeResponse{Contracts: []string{pipeline.WidthsContract, pipeline.ScoresContract}, Scores: []*describev1.Score{{Name: "cells", Unit: "1", Summary: "Number of cells.", HigherIsWider: true, LeastCells: 1}}}
	}
	return &describev1.DescribeResponse{}
}

// Blame implements pipeline.Handle.
func (h *handle) Blame(string) {
	h.m.mu.Lock()
	defer h.m.mu.Unlock()
	h.m.blamed++
}

func (h *handle) Release() {
	h.m.mu.Lock()
	defer h.m.mu.Unlock()
	h.m.held--
}

// Acquire implements pipeline.Modules.
func (m *Modules) Acquire(kind string) (pipeline.Handle, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.down[kind] {
		return nil, errors.New("module test-" + kind + " is down")
	}
	m.held++
	return &handle{m.conn, m, kind}, nil
}

// Blamed is how often an answer was refused.
func (m *Modules) Blamed() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.blamed
}

// Serving implements pipeline.Modules: the palette module names its own scores, once SpoilScores was called.
func (m *Modules) Serving(kind, contract string) []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.scores == nil || kind != "palette" || contract != pipeline.ScoresContract {
		return nil
	}
	return []string{"palette"}
}

// SpoilScores has the palette module name its own scores, which f may change before they are sent. f may do nothing.
func (m *Modules) SpoilScores(f func(*palettev2.ScorePalettesResponse)) { set(m, &m.scores, f) }

// SetDown takes a module away, or brings it back.
func (m *Modules) SetDown(kind string, down bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.down[kind] = down
}

// Fail makes every call fail with err; nil ends it.
func (m *Modules) Fail(err error) { set(m, &m.fail, err) }

// SpoilReading changes the answers of the reading module.
func (m *Modules) SpoilReading(f func(*readingv1.ComputeColoursResponse)) { set(m, &m.spoilReading, f) }

// SpoilDifference changes the answers of the difference module.
func (m *Modules) SpoilDifference(f func(*differencev1.ComputeDifferencesResponse)) {
	set(m, &m.spoilDifference, f)
}

// SpoilWidths changes the answers of the palette module.
func (m *Modules) SpoilWidths(f func(*palettev1.MeasureWidthsResponse)) { set(m, &m.spoilWidths, f) }

// SpoilOrders changes the answers of the compare module.
func (m *Modules) SpoilOrders(f func(*comparev1.CompareOrdersResponse)) { set(m, &m.spoilOrders, f) }

// Readings counts the measurements that were computed.
func (m *Modules) Readings() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.readings
}

// Widths lists the streams that the palette module received.
func (m *Modules) Widths() []Received { return listed(m, &m.widths) }

// Orders lists the streams that the compare module received.
func (m *Modules) Orders() []Received { return listed(m, &m.orders) }

type reading struct {
	readingv1.UnimplementedReadingServiceServer
	m *Modules
}

// ComputeColours passes L*a*b* through and calls a spectrum grey.
func (s reading) ComputeColours(_ context.Context, r *readingv1.ComputeColoursRequest) (*readingv1.ComputeColoursResponse, error) {
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	if s.m.fail != nil {
		return nil, s.m.fail
	}
	out := &readingv1.ComputeColoursResponse{}
	for _, raw := range r.GetRaw() {
		s.m.readings++
		c := &readingv1.ComputedColour{}
		switch curve := raw.GetSpectrum().GetReflectance(); {
		case raw.GetLab() != nil:
			c.Lab = raw.GetLab()
		case len(curve) < 8:
			c.Fault = "reflectance has too few figures; allowed: 8 to 200"
		default:
			c.Lab = &typesv1.Lab{L: 100 * slices.Max(curve)}
		}
		out.Colours = append(out.Colours, c)
	}
	if s.m.spoilReading != nil {
		s.m.spoilReading(out)
	}
	return out, nil
}

type difference struct {
	differencev1.UnimplementedDifferenceServiceServer
	m *Modules
}

// ComputeDifferences gives the distance in L*a*b*.
func (s difference) ComputeDifferences(_ context.Context, r *differencev1.ComputeDifferencesRequest) (*differencev1.ComputeDifferencesResponse, error) {
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	if s.m.fail != nil {
		return nil, s.m.fail
	}
	out := &differencev1.ComputeDifferencesResponse{Formula: r.GetFormula() + " (test)"}
	for _, p := range r.GetPairs() {
		dl, da, db := p.GetSample().GetL()-p.GetReference().GetL(), p.GetSample().GetA()-p.GetReference().GetA(), p.GetSample().GetB()-p.GetReference().GetB()
		out.Differences = append(out.Differences, math.Sqrt(dl*dl+da*da+db*db))
	}
	if s.m.spoilDifference != nil {
		s.m.spoilDifference(out)
	}
	return out, nil
}

type point struct {
	lab   [3]float64
	block uint32
	cell  uint32
}

func points(c *columnsv1.ColourColumns, i int) point {
	return point{[3]float64{c.GetL()[i], c.GetA()[i], c.GetB()[i]}, c.GetBlock()[i], c.GetCell()[i]}
}

func dispersion(ps []point) float64 {
	var mean [3]float64
	for _, p := range ps {
		for k := range mean {
			mean[k] += p.lab[k] / float64(len(ps))
		}
	}
	sum := 0.0
	for _, p := range ps {
		for k := range mean {
			sum += (p.lab[k] - mean[k]) * (p.lab[k] - mean[k]) / float64(len(ps))
		}
	}
	return math.Sqrt(sum)
}

func distinctCells(ps []point) int32 {
	seen := map[[2]uint32]bool{}
	for _, p := range ps {
		seen[[2]uint32{p.block, p.cell}] = true
	}
	return int32(len(seen))
}

type palette struct {
	palettev1.UnsafePaletteServiceServer
	m *Modules
}

// MeasureWidths knows dispersions and counts cells.
func (s palette) MeasureWidths(stream grpc.ClientStreamingServer[palettev1.MeasureWidthsRequest, palettev1.MeasureWidthsResponse]) error {
	header, chunks, err := rowsOf(stream.Recv)
	if err != nil {
		return err
	}
	in := Received{Widths: header, Labels: header.GetLabels(), Chunks: chunks}
	groups := map[[2]uint32][]point{}
	for _, c := range chunks {
		for i := range c.GetReadingId() {
			k := [2]uint32{c.GetStratum()[i], c.GetGroup()[i]}
			groups[k] = append(groups[k], points(c, i))
		}
	}
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	if s.m.fail != nil {
		return s.m.fail
	}
	s.m.widths = append(s.m.widths, in)
	out := &palettev1.MeasureWidthsResponse{ThresholdDe00: in.Widths.GetThresholdDe00(), Seed: in.Widths.GetSeed()}
	keys := make([][2]uint32, 0, len(groups))
	for k := range groups {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b [2]uint32) int { return cmp.Or(cmp.Compare(a[0], b[0]), cmp.Compare(a[1], b[1])) })
	for _, k := range keys {
		ps := groups[k]
		cells := distinctCells(ps)
		blocks := map[uint32]bool{}
		for _, p := range ps {
			if in.Labels.GetBlocks()[p.block] != "" {
				blocks[p.block] = true
			}
		}
		g := &palettev1.GroupWidth{
			Stratum: k[0], Group: k[1], Readings: int32(len(ps)), Cells: cells, Blocks: int32(len(blocks)),
			Shades:     []*palettev1.ShadeCount{{ThresholdDe00: out.GetThresholdDe00(), AtLeast: 1, AtMost: cells}},
			HullStatus: palettev1.HullStatus_HULL_STATUS_FLAT, Dispersion: dispersion(ps), Unstable: cells < 8,
		}
		if cells >= 2 {
			g.EqualNumber = 2
			g.ShadesAtEqualNumber = &palettev1.Estimate{Value: 1.5}
		}
		out.Groups = append(out.Groups, g)
	}
	out.Pairs = pairs(in.Labels, groups)
	if s.m.spoilWidths != nil {
		s.m.spoilWidths(out)
	}
	return stream.SendAndClose(out)
}

func pairs(labels *columnsv1.Labels, groups map[[2]uint32][]point) []*palettev1.PairWidth {
	var out []*palettev1.PairWidth
	n, strata := uint32(len(labels.GetGroups())), uint32(len(labels.GetStrata()))
	for a := range n {
		for b := a + 1; b < n; b++ {
			p := &palettev1.PairWidth{GroupA: a, GroupB: b}
			sum, counted := 0.0, 0
			for s := range strata {
				x, y := groups[[2]uint32{s, a}], groups[[2]uint32{s, b}]
				if distinctCells(x) < 2 || distinctCells(y) < 2 {
					continue
				}
				p.Strata++
				p.CellsA += distinctCells(x)
				p.CellsB += distinctCells(y)
				if r := math.Log(dispersion(x) / dispersion(y)); !math.IsNaN(r) && !math.IsInf(r, 0) {
					sum += r
					counted++
				}
			}
			if counted > 0 {
				mean := sum / float64(counted)
				shades := math.Copysign(1, mean)
				p.MeanLogDispersionRatio, p.MeanShadeDifference = &mean, &shades
			}
			p.Thin = p.GetStrata() < 3 || min(p.GetCellsA(), p.GetCellsB()) < 6
			out = append(out, p)
		}
	}
	return out
}

type compare struct {
	comparev1.UnimplementedCompareServiceServer
	m *Modules
}

// CompareOrders gives the ratio of dispersions, and at the closing size p = 0.01 without a test.
func (s compare) CompareOrders(stream grpc.ClientStreamingServer[comparev1.CompareOrdersRequest, comparev1.CompareOrdersResponse]) error {
	header, chunks, err := rowsOf(stream.Recv)
	if err != nil {
		return err
	}
	in := Received{Orders: header, Labels: header.GetLabels(), Chunks: chunks}
	groups := map[uint32][]point{}
	for _, c := range chunks {
		for i := range c.GetReadingId() {
			groups[c.GetGroup()[i]] = append(groups[c.GetGroup()[i]], points(c, i))
		}
	}
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	if s.m.fail != nil {
		return s.m.fail
	}
	s.m.orders = append(s.m.orders, in)
	sessions := map[uint32]bool{}
	for _, p := range groups[0] {
		if in.Labels.GetBlocks()[p.block] != "" {
			sessions[p.block] = true
		}
	}
	first, second := dispersion(groups[0]), dispersion(groups[1])
	ratio := math.Log(first / second)
	out := &comparev1.CompareOrdersResponse{
		Verdict: comparev1.Verdict_VERDICT_EXPLORATORY, Statement: "as the test has it", Seed: in.Orders.GetSeed(),
		CompleteSessions: int32(len(sessions)), UsedSessions: int32(len(sessions)), MatchedCells: distinctCells(groups[0]),
		DispersionFirst: first, DispersionSecond: second, ShadesFirst: 2, ShadesSecond: 2,
	}
	if first > 0 && second > 0 {
		out.LogRatio = &ratio
	}
	switch closing := in.Orders.GetClosingSessions(); {
	case closing == 0:
	case int32(len(sessions)) < closing:
		out.Verdict = comparev1.Verdict_VERDICT_NOT_ENOUGH_YET
		out.Missing = []*comparev1.Missing{{What: "sessions", Count: closing - int32(len(sessions)), Text: "more sessions"}}
	default:
		p := 0.01
		out.UsedSessions, out.P, out.PAdjusted, out.Arrangements = closing, &p, &p, 64
		out.Verdict = comparev1.Verdict_VERDICT_FIRST_WIDER
		if first < second {
			out.Verdict = comparev1.Verdict_VERDICT_SECOND_WIDER
		}
	}
	if s.m.spoilOrders != nil {
		s.m.spoilOrders(out)
	}
	return stream.SendAndClose(out)
}
