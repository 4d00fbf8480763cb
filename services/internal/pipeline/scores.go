package pipeline

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/sdk"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Contracts of palette modules: those that measure widths, and those that name their own scores. A module may serve both.
const (
	WidthsContract = "commonvat.module.palette.v1"
	ScoresContract = "commonvat.module.palette.v2"
)

// ScoresQuestion asks for the scores of palettes.
type ScoresQuestion struct {
	Condition trial.ColourCondition
	Labels    Labels
	Rows      []Row
	Seed      uint64
	// Scores are the names of those that are asked for; none: all.
	Scores     []string
	Parameters []*describev1.ParameterValue
	// Ages and Spectra tell that rows have what a module may ask for beside the colours.
	Ages, Spectra bool
	// Build, when not empty, is the digest of the build that must answer; see ErrOtherBuild.
	Build string
	// Relabellings is how often units are counted to other groups, after the groups as they are: 0 to 100,000. Relabel gives the group of each unit (see Units)
	// for the n-th time, from 1; its answer is used at once. Each is given what the module said of it, in order.
	Relabellings int
	Relabel      func(n int) []uint32
	Each         func(n int, groups []*palettev2.GroupScores) error
}

// Scores is what one module said.
type Scores struct {
	Identity *typesv1.ModuleIdentity
	// Described are the scores, as the module describes them; values stand in their order.
	Described []*describev1.Score
	Groups    []*palettev2.GroupScores
}

// Scorers names the modules that serve now and name their own scores.
func (p *Pipeline) Scorers() []string { return p.modules.Serving(KindPalette, ScoresContract) }

// ErrNotAScorer tells of a palette module that doesn't name its own scores.
var ErrNotAScorer = errors.New("module names no scores of its own")

// ErrOtherBuild tells that another build of the module answers than the one that was asked for.
var ErrOtherBuild = errors.New("another build of the module serves")

// Scorer is what a module that names its own scores says of itself. Errors: *ModuleError; ErrNotAScorer.
func (p *Pipeline) Scorer(name string) (*typesv1.ModuleIdentity, *describev1.DescribeResponse, error) {
	h, err := p.acquireFrom(KindPalette, name)
	if err != nil {
		return nil, nil, err
	}
	defer h.handle.Release()
	if !slices.Contains(h.handle.Description().GetContracts(), ScoresContract) {
		return nil, nil, fmt.Errorf("%w: %.80q", ErrNotAScorer, name)
	}
	return h.identity(), h.handle.Description(), nil
}

// Unit is a distinct combination of labels among rows.
type Unit struct{ Group, Block, Stratum, Cell uint32 }

// Units are those of rows, in the order of the first row of each, rows by reading id.
func Units(rows []Row) []Unit {
	rows = slices.Clone(rows)
	slices.SortFunc(rows, ByReading)
	return unitsOf(rows)
}

func unitsOf(rows []Row) (out []Unit) {
	seen := map[Unit]bool{}
	for _, r := range rows {
		if u := (Unit{r.Group, r.Block, r.Stratum, r.Cell}); !seen[u] {
			seen[u] = true
			out = append(out, u)
		}
	}
	return out
}

// ScorePalettes asks one of the scorers and checks its answers. Errors: *ModuleError; ErrTooLarge; ErrWantsMore for a module that asks for columns which
// the question doesn't have; ErrOtherBuild; those of Each; ctx.Err().
func (p *Pipeline) ScorePalettes(ctx context.Context, name string, q ScoresQuestion) (*Scores, error) {
	rows, err := inOrder(q.Rows)
	if err != nil {
		return nil, err
	}
	header := &palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Header{Header: &palettev2.ScoresHeader{
		Condition: conditionMessage(q.Condition), Labels: q.Labels.message(), RowCount: int64(len(rows)), Seed: q.Seed,
		Scores: q.Scores, Parameters: q.Parameters, RelabellingCount: int32(q.Relabellings),
	}}}
	if err := checkHeader(header); err != nil {
		return nil, err
	}
	h, err := p.acquireFrom(KindPalette, name)
	if err != nil {
		return nil, err
	}
	defer h.handle.Release()
	if q.Build != "" && h.identity().GetDigest() != q.Build {
		return nil, fmt.Errorf("%w: of %s, %.12s and not %.12s", ErrOtherBuild, h.name, h.identity().GetDigest(), q.Build)
	}
	described := h.handle.Description()
	ages := slices.Contains(described.GetExtraColumns(), describev1.ExtraColumn_EXTRA_COLUMN_AGE_DAYS)
	spectra := slices.Contains(described.GetExtraColumns(), describev1.ExtraColumn_EXTRA_COLUMN_SPECTRUM)
	if ages && !q.Ages || spectra && !q.Spectra || len(described.GetExtraColumns()) > both(ages, spectra) {
		return nil, ErrWantsMore
	}
	asked, err := askedScores(described.GetScores(), q.Scores)
	if err != nil {
		return nil, err
	}
	streaming, cancel := context.WithCancel(ctx) // ends the stream wherever we leave
	defer cancel()
	stream, err := palettev2.NewPaletteServiceClient(h.handle).ScorePalettes(streaming, withRows)
	if err != nil {
		return nil, h.failed(ctx, err)
	}
	var units []Unit
	if q.Relabellings > 0 {
		units = unitsOf(rows)
	}
	var sending sync.WaitGroup
	defer sending.Wait()
	defer cancel() // before the wait
	sent := make(chan error, 1)
	relabelled := make(chan []uint32, 1)
	sending.Go(func() {
		defer close(relabelled)
		err := send(streaming, stream, header, rows, ages, spectra, q, relabelled)
		if errors.Is(err, io.EOF) || streaming.Err() != nil {
			err = nil // the stream ended: its status, which the receiver gets, tells why
		}
		sent <- err
		if err != nil {
			cancel() // a fault of ours: there will be no answer
		}
	})
	check := answers{hold: h, scores: len(asked)}
	own := placesOf(rows)
	out := &Scores{Identity: h.identity(), Described: asked}
	for n := 0; n <= q.Relabellings; n++ {
		response, err := stream.Recv()
		if err != nil {
			return nil, h.ended(ctx, err, sent, n, q.Relabellings)
		}
		places := own
		if n > 0 {
			groups, ok := <-relabelled
			if !ok { // the stream ended before it could be sent
				_, err := stream.Recv()
				return nil, h.ended(ctx, cmp.Or(err, io.EOF), sent, n, q.Relabellings)
			}
			if len(groups) != len(units) {
				return nil, fmt.Errorf("relabelling %d has %d groups for %d units", n, len(groups), len(units))
			}
			places = make(map[[2]uint32]bool, len(own))
			for i, u := range units {
				places[[2]uint32{u.Stratum, groups[i]}] = true
			}
		}
		if err := check.check(n, response, places); err != nil {
			return nil, err
		}
		if n == 0 {
			out.Groups = response.GetGroups()
		} else if err := q.Each(n, response.GetGroups()); err != nil {
			return nil, err
		}
	}
	if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
		if err == nil {
			if q.Relabellings > 0 {
				return nil, h.blame("it gave more than %d answers to a question and its relabellings", q.Relabellings+1)
			}
			return nil, h.blame("it gave two answers to one question")
		}
		return nil, h.failed(ctx, err)
	}
	return out, nil
}

// placesOf are the strata and groups that have rows.
func placesOf(rows []Row) map[[2]uint32]bool {
	out := map[[2]uint32]bool{}
	var last [2]uint32
	for i := range rows {
		if place := [2]uint32{rows[i].Stratum, rows[i].Group}; i == 0 || place != last {
			out[place], last = true, place
		}
	}
	return out
}

// ended is what the end of a stream means, after so many answers.
func (h *hold) ended(ctx context.Context, err error, sent <-chan error, answers, relabellings int) error {
	select {
	case fault := <-sent:
		if fault != nil {
			return fault
		}
	default:
	}
	switch {
	case !errors.Is(err, io.EOF):
		return h.failed(ctx, err)
	case answers == 0:
		return h.blame("it gave no answer")
	}
	return h.blame("it gave %d answers to a question and %d relabellings", answers, relabellings)
}

func both(a, b bool) int {
	n := 0
	for _, x := range []bool{a, b} {
		if x {
			n++
		}
	}
	return n
}

// askedScores are the descriptions of the scores that are asked for.
func askedScores(described []*describev1.Score, names []string) ([]*describev1.Score, error) {
	if len(names) == 0 {
		return described, nil
	}
	var out []*describev1.Score
	for _, name := range names {
		at := slices.IndexFunc(described, func(s *describev1.Score) bool { return s.GetName() == name })
		if at < 0 {
			return nil, fmt.Errorf("score %q isn't described by the module", name)
		}
		out = append(out, described[at])
	}
	return out, nil
}

// send sends the whole question. What each relabelling was is handed on, so that its answer can be held against it.
func send(ctx context.Context, stream palettev2.PaletteService_ScorePalettesClient, header *palettev2.ScorePalettesRequest, rows []Row, ages, spectra bool, q ScoresQuestion, relabelled chan<- []uint32) error {
	if err := stream.Send(header); err != nil {
		return err
	}
	if err := sendScored(rows, ages, spectra, stream.SendMsg); err != nil {
		return err
	}
	for n := 1; n <= q.Relabellings; n++ {
		groups := q.Relabel(n)
		if err := stream.Send(&palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Relabelling{Relabelling: &palettev2.Relabelling{Group: groups}}}); err != nil {
			return err
		}
		select {
		case relabelled <- groups:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return stream.CloseSend()
}

// Spectra travel on the wavelengths that the contract has; what lies outside isn't sent.
const (
	firstNm, lastNm = 360, 780
	leastFigures    = 3
)

// within is the part of a spectrum that can be sent; ok is false when there is too little of it.
func within(s *trial.Spectrum) (part trial.Spectrum, ok bool) {
	if s == nil || s.StepNm < 1 || s.StepNm > 20 {
		return part, false
	}
	part = *s
	for len(part.Reflectance) > 0 && part.StartNm < firstNm {
		part.StartNm += part.StepNm
		part.Reflectance = part.Reflectance[1:]
	}
	for n := len(part.Reflectance); n > 0 && part.StartNm+float64(n-1)*part.StepNm > lastNm; n-- {
		part.Reflectance = part.Reflectance[:n-1]
	}
	return part, len(part.Reflectance) >= leastFigures
}

// ScoredChunks cuts rows, sorted by reading id, into columns of at most 1 MiB with the further columns that are asked for, and hands them to send. Spectra of a
// chunk are all on the same wavelengths.
func ScoredChunks(rows []Row, ages, spectra bool, send func(*palettev2.ScoredColumns) error) error {
	return cutScored(rows, chunkBytes, ages, spectra, func(part []Row) error {
		out := beside(part, ages, spectra)
		out.Colours = columns(part)
		return send(out)
	})
}

// cutScored cuts rows into runs of at most so many bytes, by what is sent of each.
func cutScored(rows []Row, most int, ages, spectra bool, send func([]Row) error) error {
	if !ages && !spectra {
		return cut(rows, most, func(*Row) int { return rowBytes }, nil, send)
	}
	size := func(r *Row) int {
		n := rowBytes
		if ages {
			n += 8
		}
		if spectra {
			n++
			if r.Spectrum != nil {
				n += 8 * len(r.Spectrum.Reflectance)
			}
		}
		return n
	}
	if !spectra {
		return cut(rows, most, size, nil, send)
	}
	grid := func(r *Row) [3]float64 { // zero: any will do
		s, ok := within(r.Spectrum)
		if !ok {
			return [3]float64{}
		}
		return [3]float64{s.StartNm, s.StepNm, float64(len(s.Reflectance))}
	}
	var grids [3]float64 // of the run
	return cut(rows, most, size, func(run []Row, r *Row) bool {
		if len(run) == 1 {
			grids = grid(&run[0])
		}
		g := grid(r)
		switch {
		case g == [3]float64{}:
		case grids == [3]float64{}:
			grids = g
		default:
			return g != grids
		}
		return false
	}, send)
}

// answers sees to it that answers are some.
type answers struct {
	*hold
	scores int
}

// check sees to it that an answer is one: every group of every stratum that was sent, once and in order, with a figure or a reason for each score.
func (h answers) check(n int, r *palettev2.ScorePalettesResponse, asked map[[2]uint32]bool) error {
	if int(r.GetRelabelling()) != n {
		if n == 0 {
			return h.blame("relabelling is %d; none was asked for", r.GetRelabelling())
		}
		return h.blame("relabelling is %d; the next is %d", r.GetRelabelling(), n)
	}
	if len(r.GetGroups()) != len(asked) {
		return h.blame("groups has %d answers for %d groups in strata", len(r.GetGroups()), len(asked))
	}
	last := [2]uint32{}
	for i, g := range r.GetGroups() {
		at := [2]uint32{g.GetStratum(), g.GetGroup()}
		if !asked[at] {
			return h.blame("groups[%d] names group %d in stratum %d, of which no row was sent", i, g.GetGroup(), g.GetStratum())
		}
		if i > 0 && slices.Compare(at[:], last[:]) <= 0 {
			return h.blame("groups[%d] is out of order or doubled: stratum %d, group %d", i, g.GetStratum(), g.GetGroup())
		}
		last = at
		if len(g.GetScores()) != h.scores {
			return h.blame("groups[%d].scores has %d figures for %d scores", i, len(g.GetScores()), h.scores)
		}
		for k, s := range g.GetScores() {
			if !finite(s.GetValue()) || (s.GetNotComputed() != "" && s.GetValue() != 0) {
				return h.blame("groups[%d].scores[%d] is %v with the reason %.80q; allowed: a finite number, or 0 with a reason", i, k, s.GetValue(), s.GetNotComputed())
			}
		}
	}
	return nil
}

// CheckParameters holds parameter values against a module's description. The error is trial.Faults, with every fault; field is where the values stand.
func CheckParameters(field string, described *describev1.DescribeResponse, set []*describev1.ParameterValue) error {
	var v sdk.Violations
	sdk.CheckValues(&v, field, described.GetParameters(), set)
	var faults trial.Faults
	for _, detail := range status.Convert(v.Err()).Details() {
		bad, ok := detail.(*errdetails.BadRequest)
		if !ok {
			continue
		}
		for _, f := range bad.GetFieldViolations() {
			faults = append(faults, &trial.FieldFault{Field: f.GetField(), Text: f.GetDescription()})
		}
	}
	if len(faults) == 0 {
		return nil
	}
	return faults
}
