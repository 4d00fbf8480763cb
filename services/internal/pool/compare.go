package pool

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Formulas are the difference formulas that can be asked for; the first is the default.
var Formulas = []string{"ciede2000", "cie76", "cie94_textile", "cie94_graphic_arts", "cmc"}

// PiecesQuestion asks for the difference between two pieces.
type PiecesQuestion struct {
	Reader    trial.MemberID // who asks
	Reference string         // id or short code
	Sample    string
	Formula   pipeline.Formula      // without a name ciede2000
	Condition trial.ColourCondition // zero means DefaultCondition
}

// ComparePieces gives the difference between two pieces that the member may read. Errors: trial.ErrInvalid; trial.ErrNotFound, also for a
// piece that the member may not read; ErrUnusable; *pipeline.ModuleError; ctx.Err().
func (p *Pool) ComparePieces(ctx context.Context, q PiecesQuestion) (*poolv1.ComparePiecesResponse, error) {
	if q.Formula.Name == "" {
		q.Formula.Name = Formulas[0]
	}
	if !slices.Contains(Formulas, q.Formula.Name) {
		return nil, &trial.FieldFault{Field: "formula", Text: fmt.Sprintf("is %.40q; allowed: %s", q.Formula.Name, strings.Join(Formulas, ", "))}
	}
	if q.Condition == (trial.ColourCondition{}) {
		q.Condition = DefaultCondition
	}
	revision := p.feed.Revision()
	reference, err := p.pieceOf(ctx, "reference_piece", q.Reader, q.Reference)
	if err != nil {
		return nil, err
	}
	sample, err := p.pieceOf(ctx, "sample_piece", q.Reader, q.Sample)
	if err != nil {
		return nil, err
	}
	first, second, err := alike(reference.readings, sample.readings, q)
	if err != nil {
		return nil, err
	}
	module, err := p.pipeline.OpenReading()
	if err != nil {
		return nil, err
	}
	defer module.Close()
	colours, err := module.Compute(ctx, q.Condition, []trial.RawColour{first.raw, second.raw})
	if err != nil {
		return nil, err
	}
	for i, piece := range []string{q.Reference, q.Sample} {
		if colours[i].Fault != "" {
			return nil, fmt.Errorf("%w: the reading of piece %s has no colour under %s: %s", ErrUnusable, piece, conditionWords(q.Condition), colours[i].Fault)
		}
	}
	difference, err := p.pipeline.ComputeDifference(ctx, q.Condition, q.Formula, colours[0].Lab, colours[1].Lab)
	if err != nil {
		return nil, err
	}
	message := func(lab trial.Lab) *typesv1.Lab { return &typesv1.Lab{L: lab.L, A: lab.A, B: lab.B} }
	return &poolv1.ComparePiecesResponse{
		Difference: difference.Value,
		Formula:    difference.Formula,
		Reference:  message(colours[0].Lab),
		Sample:     message(colours[1].Lab),
		Condition:  &typesv1.ColourCondition{Illuminant: typesv1.Illuminant(q.Condition.Illuminant), Observer: typesv1.Observer(q.Condition.Observer)},
		Modules:    []*typesv1.ModuleIdentity{module.Identity(), difference.Module},
		Remarks:    remarks(first, second),

		ReferenceReading: reference.used(first), SampleReading: sample.used(second), LeftOut: unused(reference, sample, first, second).listed(), PoolRevision: revision, NothingDrawn: true,
	}, nil
}

// remarks says what stands between two readings beside their colour.
func remarks(reference, sample held) []string {
	var out []string
	say := func(what, a, b string) {
		switch {
		case a == b && a == "":
			out = append(out, what+" not stated of either")
		case a == "" || b == "":
			out = append(out, what+" not stated of one")
		case a != b:
			out = append(out, fmt.Sprintf("%s differs: %s, and %s", what, a, b))
		}
	}
	state := func(r held) string {
		if r.state() == trial.StateUnstated {
			return ""
		}
		return stateWords(r.state())
	}
	age := func(r held) string {
		if r.class == classAgeUnknown || r.class == classUnknown {
			return ""
		}
		return fmt.Sprintf("%d days or older", settledDays)
	}
	gloss := func(r held) string {
		if r.gloss == 0 {
			return ""
		}
		return glossWords(r.specular())
	}
	say("state when read", state(reference), state(sample))
	say("age when read", age(reference), age(sample))
	say("instrument", reference.instrument.Value(), sample.instrument.Value())
	say("gloss", gloss(reference), gloss(sample))
	return out
}

// held is a reading with its raw measurement.
type held struct {
	*reading
	raw trial.RawColour
}

// onePiece is a piece that a member may read, shared or not, with its usable readings, best first.
type onePiece struct {
	chunk    *chunk
	row      *row
	readings []held
}

func (o *onePiece) used(h held) *poolv1.ReadingUsed {
	return &poolv1.ReadingUsed{ReadingId: h.id.String(), PieceId: o.row.piece.String()}
}

// unused counts the readings of two pieces, which may be one, that aren't the two that were held against each other.
func unused(reference, sample *onePiece, first, second held) *leftOut {
	left := newLeftOut()
	seen := map[entryID]bool{first.id: true, second.id: true}
	for _, of := range []*onePiece{reference, sample} {
		for _, r := range of.chunk.readingsOf(of.row) {
			switch {
			case seen[r.id]:
			case r.class.usable():
				left.reading("another reading of the same piece", 1)
			default:
				left.reading(r.class.words(), 1)
			}
			seen[r.id] = true
		}
	}
	return left
}

// pieceOf finds a piece with a usable reading. Errors: trial.ErrNotFound, also for one that the member may not read; ErrUnusable; ctx.Err().
func (p *Pool) pieceOf(ctx context.Context, field string, member trial.MemberID, idOrCode string) (*onePiece, error) {
	// What isn't there and what isn't the member's to read are told in the same words, whatever the store's were.
	hidden := fmt.Errorf("%s %.40q: %w", field, idOrCode, trial.ErrNotFound)
	ref, err := p.reader.TrialOfPiece(ctx, idOrCode)
	var stored store.TrialRow
	if err == nil {
		stored, err = p.reader.TrialRow(ctx, ref.TrialID)
	}
	if errors.Is(err, trial.ErrNotFound) {
		return nil, hidden
	}
	if err != nil {
		return nil, fmt.Errorf("%s %.40q: %w", field, idOrCode, err)
	}
	view := access.ViewOfTrial(stored, member)
	if view == access.Nothing {
		return nil, hidden
	}
	if stored.Deleted { // only its owner comes as far as this
		return nil, fmt.Errorf("%w: the trial of piece %s is deleted", ErrUnusable, idOrCode)
	}
	t, err := p.decode(stored.Body)
	if err != nil {
		return nil, fmt.Errorf("decode trial %s: %w", ref.TrialID, err)
	}
	at := slices.IndexFunc(t.Pieces, func(piece trial.Piece) bool { return piece.ID == ref.PieceID })
	if at < 0 || view != access.All && t.Pieces[at].Holder != member {
		return nil, hidden
	}
	c, err := project(t, newDictionary())
	if err != nil {
		return nil, fmt.Errorf("trial %s: %w", ref.TrialID, err)
	}
	raws, err := rawsOf(t)
	if err != nil {
		return nil, fmt.Errorf("trial %s: %w", ref.TrialID, err)
	}
	out := &onePiece{chunk: c}
	for i := range c.rows {
		if c.rows[i].piece.String() != ref.PieceID {
			continue
		}
		out.row = &c.rows[i]
		readings := c.readingsOf(&c.rows[i])
		for k := range readings {
			if r := &readings[k]; r.class.usable() {
				out.readings = append(out.readings, held{r, raws[r.id]})
			}
		}
	}
	if len(out.readings) == 0 {
		why := ""
		if out.row != nil {
			why = unusableWords(out)
		}
		return nil, fmt.Errorf("%w: piece %s has no reading taken dry or finished, at least %d days after dyeing and after its last bath%s", ErrUnusable, idOrCode, settledDays, why)
	}
	return out, nil
}

// unusableWords counts why the readings of a piece can't be used: ": 1 read wet"; empty where it has none.
func unusableWords(of *onePiece) string {
	counts := map[string]int{}
	for _, r := range of.chunk.readingsOf(of.row) {
		counts[r.class.words()]++
	}
	var texts []string
	for _, why := range slices.Sorted(maps.Keys(counts)) {
		texts = append(texts, fmt.Sprintf("%d %s", counts[why], why))
	}
	if len(texts) == 0 {
		return ""
	}
	return ": " + listed(texts)
}

// alike chooses the best two readings that were taken alike: both computable under the condition, and not by two instruments or two
// specular modes, where these are stated.
func alike(reference, sample []held, q PiecesQuestion) (first, second held, err error) {
	var why string
	for _, a := range reference {
		for _, b := range sample {
			switch {
			case a.only() != (trial.ColourCondition{}) && a.only() != q.Condition:
				why = fmt.Sprintf("the colour of piece %s is known under %s only, not under %s", q.Reference, conditionWords(a.only()), conditionWords(q.Condition))
			case b.only() != (trial.ColourCondition{}) && b.only() != q.Condition:
				why = fmt.Sprintf("the colour of piece %s is known under %s only, not under %s", q.Sample, conditionWords(b.only()), conditionWords(q.Condition))
			case a.gloss != 0 && b.gloss != 0 && a.gloss != b.gloss:
				why = fmt.Sprintf("one was read with %s, the other with %s", glossWords(a.specular()), glossWords(b.specular()))
			case a.instrument.Value() != "" && b.instrument.Value() != "" && a.instrument != b.instrument:
				why = fmt.Sprintf("they were read by two instruments, %.40q and %.40q", a.instrument.Value(), b.instrument.Value())
			default:
				return a, b, nil
			}
		}
	}
	return held{}, held{}, fmt.Errorf("%w: no two readings of pieces %s and %s were taken alike: %s", ErrUnusable, q.Reference, q.Sample, why)
}
