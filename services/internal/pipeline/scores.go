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
	c := &scoresCall{hold: h, question: q, rows: rows, sent: make(chan error, 1), relabelled: make(chan []uint32, 1)}
	if err := c.suit(); err != nil {
		return nil, err
	}
	streaming, cancel := context.WithCancel(ctx) // ends the stream wherever we leave
	defer cancel()
	if c.stream, err = palettev2.NewPaletteServiceClient(h.handle).ScorePalettes(streaming, withRows); err != nil {
		return nil, h.failed(ctx, err)
	}
	var sending sync.WaitGroup
	defer sending.Wait()
	defer cancel() // before the wait
	sending.Go(func() {
		defer close(c.relabelled)
		err := c.send(streaming, header)
		if errors.Is(err, io.EOF) || streaming.Err() != nil {
			err = nil // the stream ended: its status, which the receiver gets, tells why
		}
		c.sent <- err
		if err != nil {
			cancel() // a fault of ours: there will be no answer
		}
	})
	return c.receive(ctx)
}

// scoresCall is one question to one scorer.
type scoresCall struct {
	*hold
	question      ScoresQuestion
	rows          []Row // in order
	ages, spectra bool  // the module asks for them
	asked         []*describev1.Score
	stream        palettev2.PaletteService_ScorePalettesClient
	relabelled    chan []uint32 // each relabelling that was sent, so that its answer can be held against it
	sent          chan error    // what came of the sending
}

// suit sees to it that the module is the one that was meant, and what it needs is there.
func (c *scoresCall) suit() error {
	q, digest := c.question, c.identity().GetDigest()
	if q.Build != "" && digest != q.Build {
		return fmt.Errorf("%w: of %s, %.12s and not %.12s", ErrOtherBuild, c.name, digest, q.Build)
	}
	described := c.handle.Description()
	c.ages = slices.Contains(described.GetExtraColumns(), describev1.ExtraColumn_EXTRA_COLUMN_AGE_DAYS)
	c.spectra = slices.Contains(described.GetExtraColumns(), describev1.ExtraColumn_EXTRA_COLUMN_SPECTRUM)
	if c.ages && !q.Ages || c.spectra && !q.Spectra || len(described.GetExtraColumns()) > both(c.ages, c.spectra) {
		return ErrWantsMore
	}
	var err error
	c.asked, err = askedScores(described.GetScores(), q.Scores)
	return err
}

// send sends the whole question.
func (c *scoresCall) send(ctx context.Context, header *palettev2.ScorePalettesRequest) error {
	if err := c.stream.Send(header); err != nil {
		return err
	}
	if err := sendScored(c.rows, c.ages, c.spectra, c.stream.SendMsg); err != nil {
		return err
	}
	for n := 1; n <= c.question.Relabellings; n++ {
		groups := c.question.Relabel(n)
		if err := c.stream.Send(&palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Relabelling{Relabelling: &palettev2.Relabelling{Group: groups}}}); err != nil {
			return err
		}
		select {
		case c.relabelled <- groups:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return c.stream.CloseSend()
}

// receive takes the answer to the groups as they are and to each relabelling, and sees to it that nothing comes behind.
func (c *scoresCall) receive(ctx context.Context) (*Scores, error) {
	own, relabellings := placesOf(c.rows), c.question.Relabellings
	var units []Unit
	if relabellings > 0 {
		units = unitsOf(c.rows)
	}
	out := &Scores{Identity: c.identity(), Described: c.asked}
	for n := 0; n <= relabellings; n++ {
		response, err := c.stream.Recv()
		if err != nil {
			return nil, c.ended(ctx, err, n)
		}
		places := own
		if n > 0 {
			if places, err = c.placesAfter(ctx, n, units); err != nil {
				return nil, err
			}
		}
		if err := c.check(n, response, places); err != nil {
			return nil, err
		}
		if n == 0 {
			out.Groups = response.GetGroups()
		} else if err := c.question.Each(n, response.GetGroups()); err != nil {
			return nil, err
		}
	}
	switch _, err := c.stream.Recv(); {
	case errors.Is(err, io.EOF):
		return out, nil
	case err != nil:
		return nil, c.failed(ctx, err)
	case relabellings > 0:
		return nil, c.blame("it gave more than %d answers to a question and its relabellings", relabellings+1)
	}
	return nil, c.blame("it gave two answers to one question")
}

// placesAfter are the strata and groups that have units after the n-th relabelling.
func (c *scoresCall) placesAfter(ctx context.Context, n int, units []Unit) (map[[2]uint32]bool, error) {
	groups, ok := <-c.relabelled
	if !ok { // the stream ended before it could be sent
		_, err := c.stream.Recv()
		return nil, c.ended(ctx, cmp.Or(err, io.EOF), n)
	}
	if len(groups) != len(units) {
		return nil, fmt.Errorf("relabelling %d has %d groups for %d units", n, len(groups), len(units))
	}
	places := map[[2]uint32]bool{}
	for i, u := range units {
		places[[2]uint32{u.Stratum, groups[i]}] = true
	}
	return places, nil
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
func (c *scoresCall) ended(ctx context.Context, err error, answers int) error {
	select {
	case fault := <-c.sent:
		if fault != nil {
			return fault
		}
	default:
	}
	switch {
	case !errors.Is(err, io.EOF):
		return c.failed(ctx, err)
	case answers == 0:
		return c.blame("it gave no answer")
	}
	return c.blame("it gave %d answers to a question and %d relabellings", answers, c.question.Relabellings)
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

// check sees to it that an answer is one: every group of every stratum that was sent, once and in order, with a figure or a reason for each score.
func (c *scoresCall) check(n int, r *palettev2.ScorePalettesResponse, asked map[[2]uint32]bool) error {
	if int(r.GetRelabelling()) != n {
		if n == 0 {
			return c.blame("relabelling is %d; none was asked for", r.GetRelabelling())
		}
		return c.blame("relabelling is %d; the next is %d", r.GetRelabelling(), n)
	}
	if len(r.GetGroups()) != len(asked) {
		return c.blame("groups has %d answers for %d groups in strata", len(r.GetGroups()), len(asked))
	}
	last := [2]uint32{}
	for i, g := range r.GetGroups() {
		at := [2]uint32{g.GetStratum(), g.GetGroup()}
		if !asked[at] {
			return c.blame("groups[%d] names group %d in stratum %d, of which no row was sent", i, g.GetGroup(), g.GetStratum())
		}
		if i > 0 && slices.Compare(at[:], last[:]) <= 0 {
			return c.blame("groups[%d] is out of order or doubled: stratum %d, group %d", i, g.GetStratum(), g.GetGroup())
		}
		last = at
		if len(g.GetScores()) != len(c.asked) {
			return c.blame("groups[%d].scores has %d figures for %d scores", i, len(g.GetScores()), len(c.asked))
		}
		for k, s := range g.GetScores() {
			if !finite(s.GetValue()) || (s.GetNotComputed() != "" && s.GetValue() != 0) {
				return c.blame("groups[%d].scores[%d] is %v with the reason %.80q; allowed: a finite number, or 0 with a reason", i, k, s.GetValue(), s.GetNotComputed())
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
