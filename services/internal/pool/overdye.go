package pool

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// OverdyeQuestion asks what a second bath would do to a first colour.
type OverdyeQuestion struct {
	Reader trial.MemberID // who asks
	// FirstPiece is the id or short code of a piece with the first colour; "": FirstColour, FirstDye, Fibre and Mordant say it.
	FirstPiece               string
	FirstColour              *trial.RawColour
	FirstDye, Fibre, Mordant string
	SecondDye                string
	SecondDepth              trial.Depth // DepthUnstated: that of which there are most trials
	SecondPiece              string      // "": the newest that is shared
	SubstratePiece           string      // "": one that is shared
	AskOrder                 bool
	RadiusShare              float64 // 0: the module's default
	Condition                trial.ColourCondition
	MinimumRevision          int64
}

// overdyeing is a question on its way to its answer.
type overdyeing struct {
	question OverdyeQuestion
	now      *snapshot
	raws     *raws
	left     *leftOut
	shelf    *shelfOfPieces
	// Of the first colour; row and reading are nil when there is no piece.
	row     *row
	reading *reading
	grid    wavelengths
	pieces  int // sent so far
	cannot  []string
	used    map[entryID]entryID // of the readings that were sent, their pieces
	request *overdyev1.PredictOverdyeRequest
	answer  *poolv1.PredictOverdyeResponse
}

// PredictOverdye answers a question. Errors: trial.ErrInvalid (*trial.FieldFault); trial.ErrNotFound, also for a piece that the member may not
// read; ErrUnusable; *BehindError; *pipeline.ModuleError; ctx.Err().
func (p *Pool) PredictOverdye(ctx context.Context, q OverdyeQuestion) (*poolv1.PredictOverdyeResponse, error) {
	if q.Condition == (trial.ColourCondition{}) {
		q.Condition = DefaultCondition
	}
	now, err := p.at(ctx, q.MinimumRevision)
	if err != nil {
		return nil, err
	}
	o := &overdyeing{question: q, now: now, left: newLeftOut(), used: map[entryID]entryID{}, raws: &raws{pool: p, known: map[trial.ID]map[entryID]trial.RawColour{}}}
	condition := &typesv1.ColourCondition{Illuminant: typesv1.Illuminant(q.Condition.Illuminant), Observer: typesv1.Observer(q.Condition.Observer)}
	o.answer = &poolv1.PredictOverdyeResponse{Condition: condition, PoolRevision: now.revision, NothingDrawn: true}
	o.shelf = sortPieces(now, q.Condition)
	first, class, err := p.firstColour(ctx, o)
	if err != nil {
		return nil, err
	}
	o.request = &overdyev1.PredictOverdyeRequest{Condition: condition, AskOrder: q.AskOrder, RadiusShare: q.RadiusShare, Piece: &overdyev1.OverdyeColours{}}
	used, class, err := o.trials(ctx, class)
	if err != nil {
		return nil, err
	}
	o.request.OverdyeClass = &overdyev1.OverdyeClass{
		FirstDye: clip(class.first), SecondDye: clip(class.second), Fibre: clip(class.fibre), Mordant: clip(class.mordantPlace),
	}
	if bath := class.bath(); bath != anyBath {
		o.request.OverdyeClass.Bath = clip(bath)
	}
	if err := p.plainCurves(ctx, o, class, used, first); err != nil {
		return nil, err
	}
	o.request.StartNm, o.request.StepNm, o.request.WavelengthCount = o.grid.startNm, o.grid.stepNm, int32(o.grid.count)
	response, identity, err := p.pipeline.PredictOverdye(ctx, o.request)
	if err != nil {
		return nil, err
	}
	o.tell(response, identity, class, used)
	return o.answer, nil
}

// use notes that a reading of a piece goes into the answer.
func (o *overdyeing) use(r *reading, of *row) { o.used[r.id] = of.piece }

// clip shortens a word to what the contract takes.
func clip(text string) string {
	if runes := []rune(text); len(runes) > 80 {
		return string(runes[:79]) + "…"
	}
	return text
}

// firstColour finds what the first colour is and what trials have to have in common with it.
func (p *Pool) firstColour(ctx context.Context, o *overdyeing) (trial.RawColour, overdyeClass, error) {
	q := o.question
	class := overdyeClass{second: q.SecondDye, depth: q.SecondDepth}
	if q.FirstPiece == "" {
		// Names stand in the record in lower case; those of a colour without a piece may be written otherwise.
		named := func(text string) string { return strings.ToLower(strings.TrimSpace(text)) }
		class.first, class.fibre, class.mordantPlace = named(q.FirstDye), named(q.Fibre), named(q.Mordant)
		if class.mordantPlace == "" {
			class.mordantPlace = notStated
		}
		raw := *q.FirstColour
		if raw.Lab != nil && raw.LabCondition != q.Condition {
			return raw, class, &trial.FieldFault{Field: "first_colour.lab_condition", Text: fmt.Sprintf("is %s; allowed: %s, the condition asked for", conditionWords(raw.LabCondition), conditionWords(q.Condition))}
		}
		return raw, class, o.lay(raw, "first_colour")
	}
	of, err := p.pieceOf(ctx, "first_piece", q.Reader, q.FirstPiece)
	if err != nil {
		return trial.RawColour{}, class, err
	}
	r := of.row
	if r.route.kind != orderOneColour || len(r.route.colour[0].dyeList()) != 1 {
		why := r.route.kind.reason()
		if why == "" || r.route.kind == orderOneColour {
			why = "two dyes are on it already, or in its pot"
		}
		return trial.RawColour{}, class, fmt.Errorf("%w: piece %s has to have one dye on it and no more: %s", ErrUnusable, q.FirstPiece, why)
	}
	for _, h := range of.readings {
		if h.only() == (trial.ColourCondition{}) || h.only() == q.Condition {
			o.row, o.reading = r, h.reading
			o.use(h.reading, r)
			layer := r.route.colour[0]
			class.first, class.firstVat, class.fibre, class.mordantPlace = layer.name, layer.vat, r.yarn.fibre.Value(), r.route.mordantPlace.Value()
			return h.raw, class, o.lay(h.raw, "piece "+q.FirstPiece)
		}
	}
	return trial.RawColour{}, class, fmt.Errorf("%w: the colour of piece %s is known under %s only, not under %s", ErrUnusable, q.FirstPiece, conditionWords(of.readings[0].only()), conditionWords(q.Condition))
}

// lay chooses the wavelengths: those of the first colour. A colour without a curve leaves it to the usual ones of the trials.
func (o *overdyeing) lay(raw trial.RawColour, what string) error {
	o.grid = wavelengths{400, 10, 31}
	if raw.Spectrum == nil {
		return nil
	}
	o.grid = gridOf(raw.Spectrum)
	if why := o.grid.fault(); why != "" {
		return fmt.Errorf("%w: %s: %s", ErrUnusable, what, why)
	}
	return nil
}

// trials selects the trials of the class, those that may lend, and those of the reversed order, and completes the class by what they have in common.
func (o *overdyeing) trials(ctx context.Context, want overdyeClass) (map[string][]*mixture, overdyeClass, error) {
	of := map[overdyeClass]blocks{}
	rest := map[overdyeClass]blocks{} // of other dyes, with the same fibre
	for _, both := range o.shelf.mixed {
		if err := ctx.Err(); err != nil {
			return nil, want, err
		}
		c := classOfRoute(both.row)
		pair, turned := c.first == want.first && c.second == want.second, c.first == want.second && c.second == want.first
		if c.fibre != want.fibre {
			continue
		}
		mine := pair && c.mordantPlace == want.mordantPlace && (o.row == nil || c.firstVat == want.firstVat) && (want.depth == trial.DepthUnstated || c.depth == want.depth)
		m, why := o.shelf.partners(both)
		if why != "" {
			if mine {
				o.left.piece(why)
			}
			continue
		}
		into := rest
		switch {
		case mine:
			into = of
		case pair:
			o.left.piece("the same dyes in this order, with another mordant or another depth of the second bath")
			// They may lend.
		case turned:
			continue
		}
		if into[c] == nil {
			into[c] = blocks{}
		}
		into[c][both.block] = append(into[c][both.block], m)
	}
	class := want
	if len(of) > 0 {
		class = mostBlocks(of)
		for other, b := range of {
			for _, list := range b {
				if other != class {
					for range list {
						o.left.piece("another kind of second bath: " + other.bath())
					}
				}
			}
		}
	}
	quiet := newLeftOut()
	trials, used, err := o.take(ctx, o.oneDepth(of[class], class), o.left)
	if err != nil {
		return nil, class, err
	}
	o.request.Trials = trials
	if len(trials) < 4 {
		if o.request.RelatedTrials, err = o.lenders(ctx, rest, class, used, quiet); err != nil {
			return nil, class, err
		}
	}
	if o.question.AskOrder {
		if o.request.ReversedTrials, _, err = o.take(ctx, o.reversed(class), o.left); err != nil {
			return nil, class, err
		}
	}
	return used, class, nil
}

// mostBlocks is the class that most blocks have; of equals the first by its words.
func mostBlocks(of map[overdyeClass]blocks) overdyeClass {
	return slices.MinFunc(slices.Collect(maps.Keys(of)), func(a, b overdyeClass) int {
		return cmp.Or(cmp.Compare(len(of[b]), len(of[a])), strings.Compare(fmt.Sprint(a), fmt.Sprint(b)))
	})
}

// oneDepth keeps mixtures whose plain piece of the second dye has one depth, since the uptake is told beside it: that of the second bath if there are any, else the
// most frequent.
func (o *overdyeing) oneDepth(of blocks, class overdyeClass) blocks {
	counts := map[trial.Depth]int{}
	for _, list := range of {
		for _, m := range list {
			counts[m.depthOfSecond()]++
		}
	}
	if len(counts) == 0 {
		return of
	}
	best := slices.MinFunc(slices.Sorted(maps.Keys(counts)), func(a, b trial.Depth) int {
		own := func(d trial.Depth) int {
			if d == class.depth {
				return 0
			}
			return 1
		}
		return cmp.Or(cmp.Compare(own(a), own(b)), cmp.Compare(counts[b], counts[a]))
	})
	if best != class.depth {
		o.cannot = append(o.cannot, fmt.Sprintf("the plain pieces of %s are %s, the second bath is %s: the uptake is told beside those, and is no part of the dye", class.second, depthWords(best), depthWords(class.depth)))
	}
	out := blocks{}
	for id, list := range of {
		for _, m := range list {
			if m.depthOfSecond() == best {
				out[id] = append(out[id], m)
			} else {
				o.left.piece("two colours, but the plain piece of the second dye is of another depth than in the other trials")
			}
		}
	}
	return out
}

// lenders are trials of other dyes on the same fibre whose second bath is of the same kind, vat or not. Those that share pots with a trial of the class
// don't lend: when that is left out, its accidents must not come back through them.
func (o *overdyeing) lenders(ctx context.Context, rest map[overdyeClass]blocks, class overdyeClass, used map[string][]*mixture, left *leftOut) ([]*overdyev1.OverdyeTrial, error) {
	together := blocks{}
	for c, b := range rest {
		if c.secondVat == class.secondVat {
			for id, list := range b {
				if used[id] == nil {
					together[id] = append(together[id], list...)
				}
			}
		}
	}
	for _, list := range together {
		slices.SortFunc(list, func(a, b *mixture) int { return strings.Compare(a.both.id(), b.both.id()) })
	}
	trials, _, err := o.take(ctx, together, left)
	o.answer.TrialsLent = int32(len(trials))
	return trials, err
}

// reversed are the trials of the other order: the second dye first, in the bath of its depth, and mordanted with the same.
func (o *overdyeing) reversed(class overdyeClass) blocks {
	out := blocks{}
	for _, both := range o.shelf.mixed {
		c := classOfRoute(both.row)
		if c.first != class.second || c.second != class.first || c.fibre != class.fibre || class.around != "" && c.around != class.around {
			continue
		}
		switch m, why := o.shelf.partners(both); {
		case why != "":
			o.left.piece("the other order: " + why)
		case both.row.route.colour[0].depth != class.depth || o.row != nil && c.depth != o.row.route.colour[0].depth:
			o.left.piece("the other order: of other depths")
		default:
			out[both.block] = append(out[both.block], m)
		}
	}
	return out
}

// plainCurves finds the curves of the piece to be predicted.
func (p *Pool) plainCurves(ctx context.Context, o *overdyeing, class overdyeClass, used map[string][]*mixture, first trial.RawColour) error {
	var why string
	if o.request.Piece.First, why = o.grid.curve(first); why != "" {
		return fmt.Errorf("%w: the first colour: %s", ErrUnusable, why)
	}
	second, err := p.stands(ctx, o, plainPiece{
		field: "second_piece", named: o.question.SecondPiece, among: o.bySecond(class, used), what: class.second + " alone on " + class.fibre,
		fits: func(r *row) bool { return r.route.kind == orderOneColour && r.route.colour[0].name == class.second }, fibre: class.fibre,
	})
	if err != nil {
		return err
	}
	substrate, err := p.stands(ctx, o, plainPiece{
		field: "substrate_piece", named: o.question.SubstratePiece, among: o.bySubstrate(class), what: "undyed " + class.fibre,
		fits: func(r *row) bool { return r.route.undyed }, fibre: class.fibre,
	})
	if err != nil {
		return err
	}
	o.request.Piece.Second, o.answer.SecondPieceId = second.curve, second.id
	o.request.Piece.Substrate, o.answer.SubstratePieceId = substrate.curve, substrate.id
	return nil
}

// stand is a piece that stands for a plain one.
type stand struct {
	id    string
	curve *overdyev1.OverdyeCurve
}

// plainPiece is a piece that is wanted beside the first colour.
type plainPiece struct {
	field, named string // of the question: its name, and the piece that it tells, if it does
	among        []*seen
	fits         func(*row) bool
	fibre        string // that of the first colour: what a dye does to another one is another question
	what         string // in a sentence
}

// stands gives the curve of a piece that was named, or of the first of the shared ones that has one on the grid.
func (p *Pool) stands(ctx context.Context, o *overdyeing, want plainPiece) (stand, error) {
	if want.named != "" {
		return p.namedStands(ctx, o, want)
	}
	for _, s := range want.among {
		if o.reading != nil && !alikeRead(s.reading, o.reading) {
			continue
		}
		raw, why, err := o.raws.of(ctx, s)
		if err != nil {
			return stand{}, err
		}
		if why != "" {
			continue
		}
		if c, why := o.grid.curve(raw); why == "" {
			o.use(s.reading, s.row)
			return stand{s.id(), c}, nil
		}
	}
	return stand{}, fmt.Errorf("%w: no piece of %s that was read alike is shared; name one with %s", ErrUnusable, want.what, want.field)
}

// namedStands gives the curve of the piece that was named, or says why it has none.
func (p *Pool) namedStands(ctx context.Context, o *overdyeing, want plainPiece) (stand, error) {
	of, err := p.pieceOf(ctx, want.field, o.question.Reader, want.named)
	if err != nil {
		return stand{}, err
	}
	if !want.fits(of.row) {
		return stand{}, fmt.Errorf("%w: %s %s is not a piece of %s", ErrUnusable, want.field, want.named, want.what)
	}
	if of := of.row.yarn.fibre.Value(); of != want.fibre {
		return stand{}, fmt.Errorf("%w: %s %s is a piece of %s, and the first colour is on %s", ErrUnusable, want.field, want.named, of, want.fibre)
	}
	why := "no reading under " + conditionWords(o.question.Condition)
	for _, h := range of.readings {
		if h.only() != (trial.ColourCondition{}) && h.only() != o.question.Condition {
			continue
		}
		if o.reading != nil && !alikeRead(h.reading, o.reading) {
			why = "read by another instrument, or in another way, than the first colour"
			continue
		}
		var c *overdyev1.OverdyeCurve
		if c, why = o.grid.curve(h.raw); why == "" {
			o.use(h.reading, of.row)
			return stand{of.row.piece.String(), c}, nil
		}
	}
	return stand{}, fmt.Errorf("%w: %s %s: %s", ErrUnusable, want.field, want.named, why)
}

// preferred sorts pieces: those of the first piece's yarn, then of its session, then the newest.
func (o *overdyeing) preferred(list []*seen) []*seen {
	rank := func(s *seen) int {
		n := 0
		if o.row != nil && (s.row.yarn.form != o.row.yarn.form || s.row.yarn.lot != o.row.yarn.lot) {
			n += 2
		}
		if o.row != nil && s.row.session.id != o.row.session.id {
			n++
		}
		return n
	}
	slices.SortFunc(list, func(a, b *seen) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(b.row.firstRead, a.row.firstRead), strings.Compare(b.id(), a.id()))
	})
	return list
}

// bySecond are pieces of the second dye alone: those beside the trials, whose depth the uptake is told for; without a trial all that are shared.
func (o *overdyeing) bySecond(class overdyeClass, used map[string][]*mixture) []*seen {
	var out []*seen
	for _, list := range used {
		for _, m := range list {
			if !slices.Contains(out, m.second) {
				out = append(out, m.second)
			}
		}
	}
	if len(out) == 0 {
		for _, s := range o.shelf.plain {
			if s.row.yarn.fibre.Value() == class.fibre && s.row.route.colour[0].name == class.second && (class.depth == trial.DepthUnstated || s.row.route.colour[0].depth == class.depth) {
				out = append(out, s)
			}
		}
	}
	return o.preferred(out)
}

func (o *overdyeing) bySubstrate(class overdyeClass) []*seen {
	var out []*seen
	for _, s := range o.shelf.undyed {
		if s.row.yarn.fibre.Value() == class.fibre {
			out = append(out, s)
		}
	}
	return o.preferred(out)
}
