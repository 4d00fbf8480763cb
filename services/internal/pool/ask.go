package pool

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The defaults of a question.
const (
	DefaultThresholdDE00 = 5.0
	DefaultSeed          = 1
)

// leastEqualNumber is the least number of cells at which a palette's width is told beside others: of fewer it says little, also where a module would.
const leastEqualNumber = 6

// DefaultCondition is the textile habit, D65/10.
var DefaultCondition = trial.ColourCondition{Illuminant: trial.IlluminantD65, Observer: trial.Observer10}

// Question is a question for the widths of palettes.
type Question struct {
	GroupBy poolv1.GroupBy
	// Where is a filter over FilterFields, or nil.
	Where *store.Predicate
	// ExperimentID asks for an experiment's verdict, with the GroupBy that it asks. Such a question leaves the others to
	// their defaults: a verdict is asked once and in one way.
	ExperimentID trial.ID
	// Condition is zero for the experiment's, or DefaultCondition.
	Condition       trial.ColourCondition
	ThresholdDE00   float64 // 0 means DefaultThresholdDE00
	EqualNumber     int32   // 0: chosen from the data; else leastEqualNumber or more
	MinimumRevision int64
	Seed            uint64 // 0 means DefaultSeed
}

// asking is a question on its way to its answer.
type asking struct {
	question   Question
	now        *snapshot
	experiment *trial.Experiment
	picks      []*pick
	beside     []*pick          // of an order question: pieces of one colour that may stand beside the orders
	besideUsed map[entryID]bool // by reading
	texts      *texts
	left       *leftOut
	cannotTell []string
	modules    []*typesv1.ModuleIdentity
	shown      map[string]string // strata as shown, by label
	mixed      bool              // some yarn is in several strata
	unknown    *unknown          // counted before the picks were let go; nil: of the picks
	answer     *poolv1.AskPaletteResponse
	most       int // pieces; 0: as many as a question may be about
}

// AskPalette answers a question. Errors: trial.ErrInvalid (*trial.FieldFault), trial.ErrNotFound for the experiment, *BehindError,
// *pipeline.ModuleError, pipeline.ErrTooLarge, ctx.Err().
func (p *Pool) AskPalette(ctx context.Context, q Question) (*poolv1.AskPaletteResponse, error) {
	p.asking.Add(1)
	defer p.asking.Add(-1)
	a := &asking{question: q, texts: newTexts(), left: newLeftOut()}
	if err := p.prepare(ctx, a); err != nil {
		return nil, err
	}
	now, err := p.at(ctx, q.MinimumRevision)
	if err != nil {
		return nil, err
	}
	a.now = now
	a.answer = &poolv1.AskPaletteResponse{
		Condition:     &typesv1.ColourCondition{Illuminant: typesv1.Illuminant(a.question.Condition.Illuminant), Observer: typesv1.Observer(a.question.Condition.Observer)},
		ThresholdDe00: a.question.ThresholdDE00,
		Seed:          a.question.Seed,
		PoolRevision:  now.revision,
	}
	if a.experiment != nil {
		a.answer.Alpha = alpha
	}
	if a.experiment == nil || a.experiment.Asking() == trial.AsksOrders {
		a.answer.MarginRatio = marginRatio
	}
	if q.GroupBy == poolv1.GroupBy_GROUP_BY_ORDER {
		a.besideUsed = map[entryID]bool{}
	}
	if err := p.selectPicks(ctx, a); err != nil {
		return nil, err
	}
	a.answer.PiecesUsed, a.answer.ReadingsUsed = int32(len(a.picks)), int32(len(a.picks))
	switch {
	case a.experiment != nil && a.experiment.Asking() != trial.AsksOrders:
		err = p.answerPlanned(ctx, a)
	case a.experiment != nil:
		err = p.answerExperiment(ctx, a)
	case q.GroupBy == poolv1.GroupBy_GROUP_BY_ORDER:
		err = p.answerOrders(ctx, a)
	default:
		err = p.answerGroups(ctx, a)
	}
	if err != nil {
		return nil, err
	}
	a.finish()
	if err := p.checkAnswer(a.answer); err != nil {
		return nil, err
	}
	return a.answer, nil
}

// prepare fills in the defaults.
func (p *Pool) prepare(ctx context.Context, a *asking) error {
	q := &a.question
	own := q.Condition
	if q.GroupBy < poolv1.GroupBy_GROUP_BY_ORDER || q.GroupBy > poolv1.GroupBy_GROUP_BY_EXHAUST {
		return &trial.FieldFault{Field: "group_by", Text: fmt.Sprintf("is %v; allowed: ORDER, WATER, FIBRE, MORDANT, EXHAUST", q.GroupBy)}
	}
	if q.ThresholdDE00 == 0 {
		q.ThresholdDE00 = DefaultThresholdDE00
	}
	if q.EqualNumber != 0 && q.EqualNumber < leastEqualNumber {
		return &trial.FieldFault{Field: "equal_number", Text: fmt.Sprintf("is %d; allowed: 0 (chosen from the data), or %d or more: fewer cells say little of a palette", q.EqualNumber, leastEqualNumber)}
	}
	if q.Seed == 0 {
		q.Seed = DefaultSeed
	}
	if q.ExperimentID == "" {
		if own == (trial.ColourCondition{}) {
			q.Condition = DefaultCondition
		}
		return nil
	}
	experiment, err := p.reader.Experiment(ctx, q.ExperimentID)
	if err != nil {
		return fmt.Errorf("experiment %s: %w", q.ExperimentID, err)
	}
	if !experiment.DeletedAt.IsZero() { // for its coordinator too: a deleted record counts in no answer
		return fmt.Errorf("experiment %s: %w", q.ExperimentID, trial.ErrNotFound)
	}
	a.experiment = experiment
	q.Condition = experiment.Condition
	const once = "; a verdict is asked for in one way only, or one could ask until one likes the answer"
	asked := groupByOf[experiment.Asking()]
	switch {
	case q.GroupBy != asked:
		return &trial.FieldFault{Field: "group_by", Text: fmt.Sprintf("is %v; allowed with this experiment: %v", q.GroupBy, asked) + once}
	case q.Where != nil:
		return &trial.FieldFault{Field: "filter", Text: "is given with experiment_id; allowed: none" + once}
	case own != (trial.ColourCondition{}) && own != experiment.Condition:
		return &trial.FieldFault{Field: "condition", Text: fmt.Sprintf("is %s; allowed with this experiment: %s", conditionWords(own), conditionWords(experiment.Condition)) + once}
	case q.ThresholdDE00 != DefaultThresholdDE00:
		return &trial.FieldFault{Field: "threshold_de00", Text: fmt.Sprintf("is %v; allowed with experiment_id: %v", q.ThresholdDE00, DefaultThresholdDE00) + once}
	case q.EqualNumber != 0:
		return &trial.FieldFault{Field: "equal_number", Text: fmt.Sprintf("is %d; allowed with experiment_id: 0", q.EqualNumber) + once}
	case q.Seed != DefaultSeed:
		return &trial.FieldFault{Field: "seed", Text: fmt.Sprintf("is %d; allowed with experiment_id: %d", q.Seed, DefaultSeed) + once}
	}
	return nil
}

// groupByOf is what palettes are told apart by in an experiment.
var groupByOf = map[trial.Asks]poolv1.GroupBy{
	trial.AsksOrders: poolv1.GroupBy_GROUP_BY_ORDER, trial.AsksWaters: poolv1.GroupBy_GROUP_BY_WATER, trial.AsksFibres: poolv1.GroupBy_GROUP_BY_FIBRE,
	trial.AsksMordants: poolv1.GroupBy_GROUP_BY_MORDANT, trial.AsksExhaustBaths: poolv1.GroupBy_GROUP_BY_EXHAUST,
}

// selectPicks chooses the pieces of the question and their groups.
func (p *Pool) selectPicks(ctx context.Context, a *asking) error {
	module, err := p.pipeline.OpenReading()
	if err != nil {
		return err
	}
	defer module.Close()
	a.modules = append(a.modules, module.Identity())
	byOrder := a.question.GroupBy == poolv1.GroupBy_GROUP_BY_ORDER
	var armSessions map[string]bool
	if a.besideUsed != nil {
		armSessions = a.now.armSessions()
	}
	a.picks, err = p.choose(ctx, a.now, module, selection{
		where: a.question.Where, condition: a.question.Condition, experiment: a.experiment, most: a.most,
		keep: func(_ *chunk, r *row) bool {
			reason := ""
			switch {
			case len(armSessions) > 0 && besideOrders(r, armSessions):
			case byOrder:
				reason = r.route.kind.reason()
			case r.route.undyed:
				reason = orderUndyed.reason()
			}
			if reason != "" {
				a.left.piece(reason)
			}
			return reason == ""
		},
	}, a.texts, a.left)
	if err != nil {
		return err
	}
	group := memo(a.texts, func(of symbol) string { return a.now.groupWords(a.question.GroupBy, of) })
	for _, pick := range a.picks {
		pick.group = group(groupOf(a.question.GroupBy, pick.row))
	}
	if len(armSessions) > 0 {
		a.picks = slices.DeleteFunc(a.picks, func(pick *pick) bool {
			aside := pick.row.route.kind != orderTwoColours
			if aside {
				a.beside = append(a.beside, pick)
			}
			return aside
		})
	}
	return nil
}

// groupOf tells the group of a piece; see groupWords.
func groupOf(by poolv1.GroupBy, r *row) symbol {
	switch by {
	case poolv1.GroupBy_GROUP_BY_ORDER:
		return r.route.order
	case poolv1.GroupBy_GROUP_BY_WATER:
		return sym(r.route.water())
	case poolv1.GroupBy_GROUP_BY_FIBRE:
		return r.yarn.fibre
	case poolv1.GroupBy_GROUP_BY_MORDANT:
		return r.route.mordant
	default:
		return r.route.exhaust
	}
}

// groupWords names a group.
func (s *snapshot) groupWords(by poolv1.GroupBy, group symbol) string {
	if by == poolv1.GroupBy_GROUP_BY_WATER {
		return s.waterWords(group.Value())
	}
	return group.Value()
}

// groupStated is false where the record doesn't say, wholly or in part, of which group a piece is.
func groupStated(by poolv1.GroupBy, r *row) bool {
	switch by {
	case poolv1.GroupBy_GROUP_BY_ORDER:
		return r.route.kind == orderTwoColours
	case poolv1.GroupBy_GROUP_BY_WATER:
		return r.route.waterKnown
	case poolv1.GroupBy_GROUP_BY_FIBRE:
		return true
	case poolv1.GroupBy_GROUP_BY_MORDANT:
		return r.route.mordantKnown
	default:
		return r.route.exhaustKnown
	}
}

// waterWords puts the names of water sources in place of their ids, as in "Mill well 60 % + Town tap 40 %"; of sources with one name
// the end of the id is told too. Waters of several layers stand in their order.
func (s *snapshot) waterWords(water string) string {
	if water == "" {
		return notStated
	}
	layers := strings.Split(water, " > ")
	for i, layer := range layers {
		if layer == notStated {
			continue
		}
		parts := strings.Split(layer, "+")
		for k, part := range parts { // as trial.WaterKey makes them
			id, share, _ := strings.Cut(part, ":")
			name, known := s.waters[id]
			switch {
			case !known:
				name = id
			case s.sameName(name) > 1:
				name += " (" + id[max(0, len(id)-4):] + ")"
			}
			if parts[k] = name; len(parts) > 1 {
				parts[k] = name + " " + share + " %"
			}
		}
		layers[i] = strings.Join(parts, " + ")
	}
	return strings.Join(layers, " > ")
}

func (s *snapshot) sameName(name string) int {
	n := 0
	for _, other := range s.waters {
		if other == name {
			n++
		}
	}
	return n
}

// widths asks the palette module about rows and writes the groups of the answer.
func (p *Pool) widths(ctx context.Context, a *asking, labels pipeline.Labels, rows pipeline.Rows) (*palettev1.MeasureWidthsResponse, error) {
	response, identity, err := p.pipeline.MeasureWidths(ctx, pipeline.WidthsQuestion{
		Condition: a.question.Condition, Labels: labels, Rows: rows,
		ThresholdDE00: a.question.ThresholdDE00, EqualNumber: a.question.EqualNumber, Seed: a.question.Seed,
	})
	if err != nil {
		return nil, err
	}
	a.modules = append(a.modules, identity)
	for _, g := range response.GetGroups() {
		out := &poolv1.GroupAnswer{
			Group: labels.Groups[g.GetGroup()], Stratum: a.shown[labels.Strata[g.GetStratum()]],
			Pieces: g.GetReadings(), Cells: g.GetCells(), Sessions: g.GetBlocks(),
			HullSide: g.GetHullSide(), Dispersion: g.GetDispersion(), LargestHueGapDeg: g.LargestHueGapDeg, Unstable: g.GetUnstable(),
		}
		for _, count := range g.GetShades() {
			if count.GetThresholdDe00() == a.question.ThresholdDE00 {
				out.ShadesAtLeast, out.ShadesAtMost = count.GetAtLeast(), count.GetAtMost()
			}
		}
		if e := g.GetShadesAtEqualNumber(); e != nil && g.GetEqualNumber() >= leastEqualNumber {
			value := e.GetValue()
			out.EqualNumber, out.ShadesAtEqualNumber = g.GetEqualNumber(), &value
			if g.GetBlocks() > 0 {
				out.ShadesLow, out.ShadesHigh = e.Low, e.High
			}
		} else if n := int(max(leastEqualNumber, a.question.EqualNumber) - g.GetCells()); n > 0 {
			if out.Missing = fmt.Sprintf("%d more pieces of other recipes, or of the same in other sessions", n); n == 1 {
				out.Missing = "1 more piece of another recipe, or of the same in another session"
			}
		}
		a.answer.Groups = append(a.answer.Groups, out)
	}
	return response, nil
}

// tell adds something that the data can't tell, once.
func (a *asking) tell(format string, args ...any) {
	if text := fmt.Sprintf(format, args...); !slices.Contains(a.cannotTell, text) {
		a.cannotTell = append(a.cannotTell, text)
	}
}

// finish adds what every answer carries.
func (a *asking) finish() {
	for _, pick := range a.beside {
		if !a.besideUsed[pick.reading.id] {
			a.left.piece(pick.row.route.kind.reason())
		}
	}
	a.answer.PiecesUsed += int32(len(a.besideUsed))
	a.answer.ReadingsUsed += int32(len(a.besideUsed))
	a.tellUnknowns()
	a.answer.CannotTell = a.cannotTell
	a.answer.LeftOut = a.left.listed()
	for _, m := range a.modules {
		if !slices.ContainsFunc(a.answer.Modules, func(o *typesv1.ModuleIdentity) bool {
			return o.GetDigest() == m.GetDigest() && o.GetKind() == m.GetKind()
		}) {
			a.answer.Modules = append(a.answer.Modules, m)
		}
	}
}

// listed is what was left out, by reason.
func (l *leftOut) listed() (out []*poolv1.LeftOut) {
	for _, kind := range []struct {
		counts map[string]int
		unit   string
	}{{l.pieces, "pieces"}, {l.readings, "readings"}, {l.judgements, "judgements"}} {
		for _, reason := range slices.Sorted(maps.Keys(kind.counts)) {
			out = append(out, &poolv1.LeftOut{Reason: reason, Count: int32(kind.counts[reason]), Unit: kind.unit})
		}
	}
	return out
}

// tellUnknowns says how much of the record is silent about what bears on the answer.
func (a *asking) tellUnknowns() {
	n := a.unknown
	if n == nil {
		n = a.unknowns()
	}
	if n.of == 0 {
		return
	}
	say := func(some int, what string) {
		switch {
		case some == n.of:
			a.tell("%s of all %s", what, pieces(some))
		case some > 0:
			a.tell("%s of %s", what, pieces(some))
		}
	}
	if n.session == n.of {
		a.tell("no sessions are known, so chance can't be told from effect and no verdict can be had: that needs an experiment with at least 6 sessions")
	} else if n.session > 0 {
		a.tell("the session of %s isn't known: they count for no session", pieces(n.session))
	}
	if n := a.now.tiedSessions(); n > 0 {
		a.tell("%d sessions of the pool share pots with another through posted pieces or shared baths; those that do count as one", n)
	}
	by := a.question.GroupBy
	say(n.mordant, "mordant not stated, wholly or in part (not the same as none),")
	say(n.water, "water not stated")
	lotless := yarnNotStated
	if by != poolv1.GroupBy_GROUP_BY_ORDER && by != poolv1.GroupBy_GROUP_BY_FIBRE {
		lotless += ", so held against each other only where no known yarn holds both, and yarns may differ there:"
	}
	say(n.lot, lotless)
	say(n.state, "state or age when read not stated")
	say(n.exhaust, "fresh or exhaust bath not stated")
	say(n.instrument, "instrument not stated")
	say(n.depth, "intended depth not stated")
	if by != poolv1.GroupBy_GROUP_BY_ORDER && n.dyesDiffer {
		a.tell("the groups were not dyed with the same dyestuffs: the width of a group also reflects which dyes were used")
	}
}

// unknown counts the pieces of which the record doesn't say something.
type unknown struct {
	of                                                              int // pieces
	session, mordant, water, lot, state, exhaust, instrument, depth int
	dyesDiffer                                                      bool // between groups
}

func (a *asking) unknowns() *unknown {
	n := &unknown{of: len(a.picks), dyesDiffer: a.dyesDiffer()}
	blank := sym("")
	count := func(into *int, is bool) {
		if is {
			*into++
		}
	}
	for _, p := range a.picks {
		r := p.row.route
		count(&n.session, p.block == 0)
		count(&n.mordant, !r.mordantKnown)
		count(&n.water, !r.waterKnown)
		count(&n.lot, p.row.yarn.lot == blank)
		count(&n.state, p.reading.class != classSettled)
		count(&n.exhaust, !r.exhaustKnown)
		count(&n.instrument, p.reading.instrument == blank)
		count(&n.depth, !slices.ContainsFunc(r.colour, func(c *colourLayer) bool { return c.depth != trial.DepthUnstated }))
	}
	return n
}

// dyesDiffer tells whether the groups weren't all dyed with the same dyes in the same orders.
func (a *asking) dyesDiffer() bool {
	dyes := map[label]map[symbol]bool{} // of each group
	for _, p := range a.picks {
		if dyes[p.group] == nil {
			dyes[p.group] = map[symbol]bool{}
		}
		dyes[p.group][p.row.route.order] = true
	}
	for _, orders := range dyes {
		for _, others := range dyes {
			if !maps.Equal(orders, others) {
				return true
			}
		}
		break
	}
	return false
}

func pieces(n int) string {
	if n == 1 {
		return "1 piece"
	}
	return fmt.Sprintf("%d pieces", n)
}
