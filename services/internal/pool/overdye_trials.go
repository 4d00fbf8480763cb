package pool

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// overdyeClass is what trials of a prediction have in common.
type overdyeClass struct {
	first, second       string // dyes
	firstVat, secondVat bool
	fibre               string
	mordantPlace        string
	around              string
	depth               trial.Depth // of the second layer
	exhaust             string
}

// anyBath is the second bath of which nothing is asked.
const anyBath = "any"

// bath names the second bath; a class without trials knows of it what was asked.
func (c overdyeClass) bath() string {
	switch {
	case c.exhaust == "" && c.depth == trial.DepthUnstated:
		return anyBath
	case c.exhaust == "":
		return depthWords(c.depth)
	}
	kind := "dye bath"
	if c.secondVat {
		kind = "vat"
	}
	return kind + ", " + depthWords(c.depth) + ", " + c.exhaust
}

func depthWords(d trial.Depth) string {
	if text := wordsOfDepth[d]; text != "" {
		return text
	}
	return "depth " + notStated
}

func classOfRoute(r *row) overdyeClass {
	a, b := r.route.colour[0], r.route.colour[1]
	return overdyeClass{
		first: a.name, second: b.name, firstVat: a.vat, secondVat: b.vat, fibre: r.yarn.fibre.Value(), mordantPlace: r.route.mordantPlace.Value(),
		around: r.route.around.Value(), depth: b.depth, exhaust: b.exhaust,
	}
}

// seen is a shared piece with the reading that speaks for it; nil: none can.
type seen struct {
	chunk   *chunk
	row     *row
	reading *reading
	block   string
}

func (s *seen) id() string { return s.row.piece.String() }

// alikeRead tells whether two readings were taken alike, as far as is stated.
func alikeRead(a, b *reading) bool {
	return a.class == b.class && a.instrument == b.instrument && a.gloss == b.gloss
}

// mixture is a piece with both colours and its plain partners.
type mixture struct {
	both, substrate, first, second *seen
}

// depthOfSecond is that of the plain piece of the second dye.
func (m *mixture) depthOfSecond() trial.Depth { return m.second.row.route.colour[0].depth }

// shelfOfPieces sorts the shared pieces by what a prediction needs them for.
type shelfOfPieces struct {
	undyed, plain, mixed []*seen
	byBlock              map[string][]*seen // undyed and plain
}

// sortPieces takes of every shared piece its best usable reading under the condition. Plain pieces without one are passed over.
func sortPieces(now *snapshot, condition trial.ColourCondition) *shelfOfPieces {
	out := &shelfOfPieces{byBlock: map[string][]*seen{}}
	for _, c := range now.ordered() {
		for i := range c.rows {
			r := &c.rows[i]
			kind := r.route.kind
			if kind != orderUndyed && kind != orderOneColour && kind != orderTwoColours {
				continue
			}
			if kind == orderOneColour && len(r.route.colour[0].dyeList()) != 1 {
				continue
			}
			s := &seen{chunk: c, row: r, block: now.blockOf(r.session.id)}
			readings := c.readingsOf(r)
			for k := range readings {
				x := &readings[k]
				if x.class.usable() && (x.only() == (trial.ColourCondition{}) || x.only() == condition) {
					s.reading = x
					break
				}
			}
			switch {
			case s.reading == nil && kind != orderTwoColours:
				continue
			case kind == orderUndyed:
				out.undyed = append(out.undyed, s)
			case kind == orderOneColour:
				out.plain = append(out.plain, s)
			default:
				out.mixed = append(out.mixed, s)
				continue
			}
			if s.block != "" {
				out.byBlock[s.block] = append(out.byBlock[s.block], s)
			}
		}
	}
	return out
}

// partners finds the plain pieces beside a mixed one, of the same session and yarn and read alike; why says what isn't there.
func (s *shelfOfPieces) partners(both *seen) (m *mixture, why string) {
	switch {
	case both.reading == nil:
		return nil, "two colours, but no reading that can be used"
	case both.block == "":
		return nil, "two colours, but the session isn't known"
	}
	beside := slices.DeleteFunc(slices.Clone(s.byBlock[both.block]), func(x *seen) bool {
		return x.row.yarn.form != both.row.yarn.form || x.row.yarn.lot != both.row.yarn.lot || !alikeRead(x.reading, both.reading)
	})
	plain := func(layer *colourLayer, anyDepth bool) *seen {
		var fitting []*seen
		for _, x := range beside {
			if x.row.route.kind != orderOneColour || x.row.route.around != both.row.route.around {
				continue
			}
			if of := x.row.route.colour[0]; of.name == layer.name && of.vat == layer.vat && (anyDepth || of.depth == layer.depth) {
				fitting = append(fitting, x)
			}
		}
		if len(fitting) == 0 {
			return nil
		}
		rank := func(x *seen) int {
			n := 0
			if x.row.route.colour[0].depth != layer.depth {
				n++
			}
			if !sharesPot(x.chunk.potsOf(x.row), both.chunk.potsOf(both.row)) {
				n += 2
			}
			return n
		}
		return slices.MinFunc(fitting, func(a, b *seen) int { return cmp.Or(cmp.Compare(rank(a), rank(b)), strings.Compare(a.id(), b.id())) })
	}
	m = &mixture{both: both, first: plain(both.row.route.colour[0], false), second: plain(both.row.route.colour[1], true)}
	for _, x := range beside {
		if x.row.route.kind == orderUndyed && (m.substrate == nil || x.id() < m.substrate.id()) {
			m.substrate = x
		}
	}
	switch {
	case m.substrate == nil:
		return nil, "two colours, but no undyed piece of the same yarn in the session"
	case m.first == nil:
		return nil, "two colours, but no plain piece of the first dye at its depth in the session"
	case m.second == nil:
		return nil, "two colours, but no plain piece of the second dye in the session"
	}
	return m, ""
}

// sharesPot tells whether a pot that colours is in both lists.
func sharesPot(a, b []entryID) bool {
	return slices.ContainsFunc(a, func(pot entryID) bool { return slices.Contains(b, pot) })
}

// wavelengths is a grid.
type wavelengths struct {
	startNm, stepNm float64
	count           int
}

func gridOf(s *trial.Spectrum) wavelengths {
	return wavelengths{s.StartNm, s.StepNm, len(s.Reflectance)}
}

// fault says why a module can't be asked about a grid, or "".
func (g wavelengths) fault() string {
	last := g.startNm + g.stepNm*float64(g.count-1)
	switch {
	case g.stepNm != 5 && g.stepNm != 10 && g.stepNm != 20:
		return fmt.Sprintf("its curve has steps of %g nm; allowed: 5, 10, 20", g.stepNm)
	case g.startNm < 300 || g.startNm > 400 || last < 700:
		return fmt.Sprintf("its curve goes from %g to %g nm; allowed: curves that begin at 300 to 400 nm and reach 700 nm", g.startNm, last)
	case g.count < 8 || g.count > 200:
		return fmt.Sprintf("its curve has %d figures; allowed: 8 to 200", g.count)
	}
	return ""
}

// curve puts a measurement on the grid, cutting off what lies beyond; why says why it can't be. Nothing is interpolated.
func (g wavelengths) curve(raw trial.RawColour) (c *overdyev1.OverdyeCurve, why string) {
	switch {
	case raw.Spectrum != nil:
		s := raw.Spectrum
		skip := (g.startNm - s.StartNm) / s.StepNm
		from := int(skip)
		if s.StepNm != g.stepNm || skip < 0 || float64(from) != skip || from+g.count > len(s.Reflectance) {
			return nil, "read at other wavelengths"
		}
		return &overdyev1.OverdyeCurve{Reflectance: s.Reflectance[from : from+g.count]}, ""
	case raw.Lab != nil && g.count > pipeline.MaxFromColour:
		return nil, fmt.Sprintf("a colour without a curve, where the others have more than %d wavelengths", pipeline.MaxFromColour)
	case raw.Lab != nil:
		return &overdyev1.OverdyeCurve{Lab: labMessage(*raw.Lab)}, ""
	}
	return nil, "a reading without figures"
}

// What one question reads of the record at most, and keeps of it at a time: a trial may hold megabytes of curves.
const (
	maxRecordsRead = 1000
	maxRecordsKept = 8
)

// raws reads the measurements of pieces from the record. Pieces that are asked for together are mostly of one trial, so the last few trials are kept.
type raws struct {
	pool  *Pool
	known map[trial.ID]map[entryID]trial.RawColour
	kept  []trial.ID // of known, oldest first
	read  int
}

// of gives the measurement of a piece; why says why there is none.
func (r *raws) of(ctx context.Context, s *seen) (raw trial.RawColour, why string, err error) {
	found, ok := r.known[s.chunk.trial]
	if !ok {
		if r.read >= maxRecordsRead {
			return raw, "in more records than are read for one question", nil
		}
		if found, err = r.pool.rawOf(ctx, s.chunk.trial); err != nil {
			return raw, "", err
		}
		if len(r.kept) >= maxRecordsKept {
			delete(r.known, r.kept[0])
			r.kept = r.kept[1:]
		}
		r.read++
		r.known[s.chunk.trial], r.kept = found, append(r.kept, s.chunk.trial)
	}
	raw, ok = found[s.reading.id]
	if !ok {
		return raw, "withdrawn while the question was answered", nil
	}
	return raw, "", nil
}

// blocks are mixtures by the block of sessions that they come from.
type blocks map[string][]*mixture

// newest lists the ids of blocks, those begun last first; ids are ordered in time.
func (b blocks) newest() []string {
	var out []string
	for id := range b {
		out = append(out, id)
	}
	slices.Sort(out)
	slices.Reverse(out)
	return out
}

// take makes the trials of a question, at most as many as a module takes, the newest; it returns the mixtures that were used.
func (o *overdyeing) take(ctx context.Context, of blocks, left *leftOut) (trials []*overdyev1.OverdyeTrial, used map[string][]*mixture, err error) {
	used = map[string][]*mixture{}
	for _, block := range of.newest() {
		t := &overdyev1.OverdyeTrial{TrialId: block}
		for _, m := range of[block] {
			if len(trials) >= pipeline.MaxOverdyeTrials || len(t.Pieces) >= pipeline.MaxOverdyeTrialPieces || o.pieces >= pipeline.MaxOverdyePieces {
				left.piece("more than a module takes at once: the oldest are left out")
				continue
			}
			if o.reading != nil && !alikeRead(m.both.reading, o.reading) {
				left.piece("two colours, but read by another instrument, or in another way, than the first colour")
				continue
			}
			p, why, err := o.piece(ctx, m)
			if err != nil {
				return nil, nil, err
			}
			if why != "" {
				left.piece("two colours, but " + why)
				continue
			}
			o.pieces++
			for _, x := range []*seen{m.substrate, m.first, m.second, m.both} {
				o.use(x.reading, x.row)
			}
			t.Pieces = append(t.Pieces, p)
			used[block] = append(used[block], m)
		}
		if len(t.Pieces) > 0 {
			trials = append(trials, t)
		}
	}
	return trials, used, nil
}

func (o *overdyeing) piece(ctx context.Context, m *mixture) (p *overdyev1.OverdyePiece, why string, err error) {
	p = &overdyev1.OverdyePiece{Colours: &overdyev1.OverdyeColours{}}
	for _, x := range []struct {
		of *seen
		to **overdyev1.OverdyeCurve
	}{{m.substrate, &p.Colours.Substrate}, {m.first, &p.Colours.First}, {m.second, &p.Colours.Second}, {m.both, &p.Both}} {
		raw, why, err := o.raws.of(ctx, x.of)
		if err != nil || why != "" {
			return nil, why, err
		}
		if *x.to, why = o.grid.curve(raw); why != "" {
			return nil, why, nil
		}
	}
	return p, "", nil
}
