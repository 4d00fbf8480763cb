package pool_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// flat gives a reading a curve of one reflectance, 400 to 700 nm by 10.
func flat(reflectance float64) func(*trial.Reading) {
	return func(r *trial.Reading) {
		r.Raw = trial.RawColour{Spectrum: &trial.Spectrum{StartNm: 400, StepNm: 10, Reflectance: slices.Repeat([]float64{reflectance}, 31)}}
	}
}

// potSession adds a session with an undyed piece, both plain ones and both orders, and tells their ids. Reflectances tell the pieces apart.
func potSession(b *book, lot string) map[string]trial.ID {
	session, alum := b.session(""), mordant("alum")
	first, blue, second := pot("weld"), vat(), pot("weld")
	ids := map[string]trial.ID{}
	add := func(name string, r float64, baths ...*trial.Bath) {
		p := b.piece(session, wool(lot), baths...)
		ids[name] = p.ID
		b.read(p, trial.Lab{}, flat(r))
	}
	add("white", 0.8)
	add("weld", 0.4, alum, first)
	add("indigo", 0.3, alum, blue)
	add("weld, third day", 0.5, alum, second)
	add("weld > indigo", 0.2, alum, first, blue)
	add("indigo > weld", 0.25, alum, blue, second)
	return ids
}

func overdyeShelf(sessions int) (*shelf, *book, []map[string]trial.ID) {
	s := newShelf()
	b := newBook("ash")
	var ids []map[string]trial.ID
	for range sessions {
		ids = append(ids, potSession(b, "w 1"))
	}
	s.put(b.Trial)
	return s, b, ids
}

func reasons(answer *poolv1.PredictOverdyeResponse) string {
	var out []string
	for _, l := range answer.GetLeftOut() {
		out = append(out, l.GetReason())
	}
	return strings.Join(out, "\n")
}

func TestPredictOverdye(t *testing.T) {
	s, _, ids := overdyeShelf(5)
	h := open(t, s)
	answer, err := h.pool.PredictOverdye(t.Context(), pool.OverdyeQuestion{Reader: "birch", FirstPiece: ids[0]["weld"], SecondDye: "indigo", AskOrder: true, MinimumRevision: h.Revision()})
	require.NoError(t, err)
	assert.Equal(t, poolv1.PredictionStanding_PREDICTION_STANDING_FITTED, answer.GetStanding())
	assert.Equal(t, []string{"weld", "indigo", "wool", "alum first", "vat, medium, fresh bath"},
		[]string{answer.GetFirstDye(), answer.GetSecondDye(), answer.GetFibre(), answer.GetMordant(), answer.GetBath()})
	assert.Equal(t, ids[0]["indigo"], answer.GetSecondPieceId(), "of the first piece's own session")
	assert.Equal(t, ids[0]["white"], answer.GetSubstratePieceId())
	assert.EqualValues(t, 5*4, answer.GetPiecesUsed())
	assert.Len(t, answer.GetReadings(), 5*6, "those of the other order too")
	assert.True(t, slices.IsSortedFunc(answer.GetReadings(), func(a, b *poolv1.ReadingUsed) int { return strings.Compare(a.GetReadingId(), b.GetReadingId()) }))
	require.Len(t, answer.GetTrials(), 5)
	assert.Equal(t, []string{ids[4]["weld > indigo"]}, answer.GetTrials()[0].GetPieceIds())
	assert.InDelta(t, 1, answer.GetTrials()[0].GetErrorDe00(), 0)
	assert.Equal(t, "the test knows one order", answer.GetOrder().GetWhyNot())
	assert.Equal(t, "test-overdye", answer.GetModules()[0].GetName())
	assert.Equal(t, h.Revision(), answer.GetPoolRevision())
	assert.Contains(t, strings.Join(answer.GetCannotTell(), "\n"), "how strong your own second bath will be")

	asked := h.modules.Overdyes()[0]
	assert.Equal(t, []float64{400, 10, 31}, []float64{asked.GetStartNm(), asked.GetStepNm(), float64(asked.GetWavelengthCount())})
	require.Len(t, asked.GetTrials(), 5)
	piece := asked.GetTrials()[0].GetPieces()[0]
	for want, curve := range map[float64]*overdyev1.OverdyeCurve{
		0.8: piece.GetColours().GetSubstrate(), 0.4: piece.GetColours().GetFirst(), 0.3: piece.GetColours().GetSecond(), 0.2: piece.GetBoth(),
	} {
		assert.InDelta(t, want, curve.GetReflectance()[7], 0)
	}
	require.Len(t, asked.GetReversedTrials(), 5)
	piece = asked.GetReversedTrials()[0].GetPieces()[0]
	assert.InDelta(t, 0.3, piece.GetColours().GetFirst().GetReflectance()[0], 0, "the vat went first")
	assert.InDelta(t, 0.5, piece.GetColours().GetSecond().GetReflectance()[0], 0, "the pot of the third day, which it shares")
	assert.InDelta(t, 0.25, piece.GetBoth().GetReflectance()[0], 0)
	assert.Empty(t, asked.GetRelatedTrials(), "5 trials need none")
	assert.InDelta(t, 0.4, asked.GetPiece().GetFirst().GetReflectance()[0], 0)
}

// What is said of the strength of a bath that nobody dyed in yet has the radius that holds for it, where the module knows one.
func TestRadiusForABathWithoutAPlainPiece(t *testing.T) {
	s, _, ids := overdyeShelf(9)
	h := open(t, s)
	q := pool.OverdyeQuestion{Reader: "birch", FirstPiece: ids[0]["weld"], SecondDye: "indigo", MinimumRevision: h.Revision()}
	answer, err := h.pool.PredictOverdye(t.Context(), q)
	require.NoError(t, err)
	assert.Nil(t, answer.AnyBathRadiusDe00)
	assert.Contains(t, strings.Join(answer.GetCannotTell(), "\n"), "and no radius holds for another")
	h.modules.SpoilOverdye(func(r *overdyev1.PredictOverdyeResponse) {
		r.RadiusDe00, r.AnyBathRadiusDe00 = proto.Float64(2), proto.Float64(6.94)
	})
	answer, err = h.pool.PredictOverdye(t.Context(), q)
	require.NoError(t, err)
	assert.Equal(t, []float64{2, 6.94}, []float64{answer.GetRadiusDe00(), answer.GetAnyBathRadiusDe00()})
	assert.Contains(t, strings.Join(answer.GetCannotTell(), "\n"), "for one as strong or weak as those of the trials were, the radius is 6.9")
	q.SecondPiece = ids[0]["indigo"]
	answer, err = h.pool.PredictOverdye(t.Context(), q)
	require.NoError(t, err)
	assert.NotContains(t, strings.Join(answer.GetCannotTell(), "\n"), "how strong", "of a named piece its member knows the bath")
	assert.NotNil(t, answer.AnyBathRadiusDe00)
}

func TestPredictOverdyeWithoutAPiece(t *testing.T) {
	s, _, ids := overdyeShelf(4)
	h := open(t, s)
	yellow := lab(75, 0, 50)
	q := pool.OverdyeQuestion{Reader: "birch", FirstColour: &trial.RawColour{Lab: &yellow, LabCondition: d65}, FirstDye: "weld", Fibre: "wool", Mordant: "alum first", SecondDye: "indigo",
		SecondDepth: trial.Medium, MinimumRevision: h.Revision()}
	answer, err := h.pool.PredictOverdye(t.Context(), q)
	require.NoError(t, err)
	assert.Len(t, answer.GetTrials(), 4)
	assert.InDelta(t, 75, h.modules.Overdyes()[0].GetPiece().GetFirst().GetLab().GetL(), 0)
	assert.Contains(t, strings.Join(answer.GetCannotTell(), "\n"), "only its figures are known")
	// Names are one however they are written, those of pieces that are told beside them too.
	written := q
	written.FirstDye, written.Fibre, written.Mordant, written.SecondPiece = "Weld", " Wool", "Alum first", ids[0]["indigo"]
	answer, err = h.pool.PredictOverdye(t.Context(), written)
	require.NoError(t, err)
	assert.Len(t, answer.GetTrials(), 4)
	assert.Equal(t, []string{"weld", "wool", "alum first"}, []string{answer.GetFirstDye(), answer.GetFibre(), answer.GetMordant()})
	q.SecondDepth = trial.Deep
	_, err = h.pool.PredictOverdye(t.Context(), q)
	require.ErrorIs(t, err, pool.ErrUnusable)
	assert.ErrorContains(t, err, "no piece of indigo alone on wool")
	q.SecondDepth, q.Condition = trial.Medium, a10
	_, err = h.pool.PredictOverdye(t.Context(), q)
	require.ErrorIs(t, err, trial.ErrInvalid)
	assert.ErrorContains(t, err, "first_colour.lab_condition")
}

func TestFewTrialsBorrow(t *testing.T) {
	s, b, ids := overdyeShelf(2)
	for range 5 { // madder instead of weld
		session, alum, red, blue := b.session(""), mordant("alum"), pot("madder"), vat()
		for _, x := range []struct {
			r     float64
			baths []*trial.Bath
		}{{0.8, nil}, {0.45, []*trial.Bath{alum, red}}, {0.3, []*trial.Bath{alum, blue}}, {0.2, []*trial.Bath{alum, red, blue}}} {
			b.read(b.piece(session, wool("w 1"), x.baths...), trial.Lab{}, flat(x.r))
		}
	}
	s.put(b.Trial)
	h := open(t, s)
	answer, err := h.pool.PredictOverdye(t.Context(), pool.OverdyeQuestion{Reader: "birch", FirstPiece: ids[0]["weld"], SecondDye: "indigo", MinimumRevision: h.Revision()})
	require.NoError(t, err)
	assert.Equal(t, poolv1.PredictionStanding_PREDICTION_STANDING_NOT_ENOUGH_YET, answer.GetStanding())
	assert.Equal(t, []string{"more trials"}, answer.GetMissing())
	assert.EqualValues(t, 5, answer.GetTrialsLent())
	assert.Len(t, h.modules.Overdyes()[0].GetRelatedTrials(), 5)
	assert.Len(t, answer.GetTrials(), 2)
	assert.Nil(t, answer.GetOrder())
}

// What can't be used is counted with its reason, and what is another's stays it.
func TestWhatPredictionsLeaveOut(t *testing.T) {
	s, b, ids := overdyeShelf(4)
	hidden := newBook("cedar")
	hidden.Sharing.Level = trial.Mine
	theirs := potSession(hidden, "w 1")
	s.put(hidden.Trial)
	read := func(name string, change func(*trial.Reading), lot string, omit ...string) {
		session := potSession(b, lot)
		for i := range b.Readings {
			r := &b.Readings[i]
			for _, n := range omit {
				if r.PieceID == session[n] {
					r.State = trial.Wet
				}
			}
			if r.PieceID == session[name] {
				change(r)
			}
		}
	}
	nothing := func(*trial.Reading) {}
	read("", nothing, "w 1", "white")
	read("", nothing, "w 1", "weld", "weld, third day")
	read("", nothing, "w 1", "indigo")
	read("", nothing, "w 1", "weld > indigo")
	other := potSession(b, "w 1")
	for i := range b.Readings {
		if slices.Contains([]trial.ID{other["white"], other["weld"], other["indigo"], other["weld > indigo"]}, b.Readings[i].PieceID) {
			b.Readings[i].Instrument = "another reader"
		}
	}
	read("weld > indigo", func(r *trial.Reading) { r.Raw.Spectrum.StepNm = 5 }, "w 1")
	b.read(b.piece("", wool("w 1"), mordant("alum"), pot("weld"), vat()), trial.Lab{}, flat(0.2))
	b.read(b.piece(b.session(""), wool("w 1"), mordant("iron"), pot("weld"), vat()), trial.Lab{}, flat(0.2))
	cotton := trial.Fibre{Composition: []trial.FibrePart{{Fibre: "cotton", Percent: 100}}}
	undyedCotton, blueCotton := b.piece(b.session(""), cotton), b.piece(b.session(""), cotton, vat())
	b.read(undyedCotton, trial.Lab{}, flat(0.85))
	b.read(blueCotton, trial.Lab{}, flat(0.35))
	s.put(b.Trial)
	h := open(t, s)
	ask := func(q pool.OverdyeQuestion) (*poolv1.PredictOverdyeResponse, error) {
		q.MinimumRevision = h.Revision()
		if q.Reader == "" {
			q.Reader = "birch"
		}
		if q.SecondDye == "" {
			q.SecondDye = "indigo"
		}
		return h.pool.PredictOverdye(t.Context(), q)
	}
	answer, err := ask(pool.OverdyeQuestion{FirstPiece: ids[0]["weld"]})
	require.NoError(t, err)
	assert.Len(t, answer.GetTrials(), 4)
	for _, want := range []string{
		"no undyed piece of the same yarn in the session", "no plain piece of the first dye", "no plain piece of the second dye", "no reading that can be used", "read by another instrument",
		"read at other wavelengths", "the session isn't known",
	} {
		assert.Contains(t, reasons(answer), want)
	}
	for _, trial := range h.modules.Overdyes()[0].GetTrials() {
		assert.NotEqual(t, theirs["weld"], trial.GetTrialId())
	}

	for name, c := range map[string]struct {
		q    pool.OverdyeQuestion
		want error
		text string
	}{
		"another's piece":       {pool.OverdyeQuestion{FirstPiece: theirs["weld"]}, trial.ErrNotFound, "first_piece"},
		"no such piece":         {pool.OverdyeQuestion{FirstPiece: newID()}, trial.ErrNotFound, "first_piece"},
		"another's second":      {pool.OverdyeQuestion{FirstPiece: ids[0]["weld"], SecondPiece: theirs["indigo"]}, trial.ErrNotFound, "second_piece"},
		"another's white":       {pool.OverdyeQuestion{FirstPiece: ids[0]["weld"], SubstratePiece: theirs["white"]}, trial.ErrNotFound, "substrate_piece"},
		"two colours already":   {pool.OverdyeQuestion{FirstPiece: ids[0]["weld > indigo"]}, pool.ErrUnusable, "one dye on it and no more"},
		"no colour yet":         {pool.OverdyeQuestion{FirstPiece: ids[0]["white"]}, pool.ErrUnusable, "undyed"},
		"no such second":        {pool.OverdyeQuestion{FirstPiece: ids[0]["weld"], SecondPiece: ids[1]["weld"]}, pool.ErrUnusable, "is not a piece of indigo alone"},
		"a second that is none": {pool.OverdyeQuestion{FirstPiece: ids[0]["weld"], SecondDye: "lac"}, pool.ErrUnusable, "no piece of lac alone on wool"},
		"a dyed substrate":      {pool.OverdyeQuestion{FirstPiece: ids[0]["weld"], SubstratePiece: ids[1]["weld"]}, pool.ErrUnusable, "is not a piece of undyed wool"},
		"a white of cotton":     {pool.OverdyeQuestion{FirstPiece: ids[0]["weld"], SubstratePiece: undyedCotton.ID}, pool.ErrUnusable, "substrate_piece " + undyedCotton.ID + " is a piece of cotton, and the first colour is on wool"},
		"a second on cotton":    {pool.OverdyeQuestion{FirstPiece: ids[0]["weld"], SecondPiece: blueCotton.ID}, pool.ErrUnusable, "second_piece " + blueCotton.ID + " is a piece of cotton, and the first colour is on wool"},
		"another reader":        {pool.OverdyeQuestion{FirstPiece: ids[0]["weld"], SecondPiece: other["indigo"]}, pool.ErrUnusable, "another instrument"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ask(c.q)
			require.ErrorIs(t, err, c.want)
			assert.ErrorContains(t, err, c.text)
		})
	}
	answer, err = ask(pool.OverdyeQuestion{FirstPiece: ids[0]["weld"], SecondPiece: ids[2]["indigo"], SubstratePiece: ids[3]["white"]})
	require.NoError(t, err)
	assert.Equal(t, ids[2]["indigo"], answer.GetSecondPieceId())
	assert.NotContains(t, strings.Join(answer.GetCannotTell(), "\n"), "how strong")
	_, err = ask(pool.OverdyeQuestion{Reader: "cedar", FirstPiece: theirs["weld"]})
	require.NoError(t, err, "one's own piece needn't be shared")

	h.modules.SetDown(pipeline.KindOverdye, true)
	_, err = ask(pool.OverdyeQuestion{FirstPiece: ids[0]["weld"]})
	require.ErrorIs(t, err, pipeline.ErrModuleUnavailable)
}

// A session that is a trial of the class lends nothing from its other pots.
func TestLendersShareNoPots(t *testing.T) {
	s, b, ids := overdyeShelf(2)
	for i := range 3 { // deep pieces of the same dyes: one in the session of a trial, the others in sessions of their own
		session, alum, first, blue := b.Sessions[0].ID, mordant("alum"), pot("weld"), vat()
		if i > 0 {
			session = b.session("")
		}
		for _, x := range []struct {
			r     float64
			baths []*trial.Bath
		}{{0.8, nil}, {0.45, []*trial.Bath{alum, first}}, {0.3, []*trial.Bath{alum, blue}}, {0.2, []*trial.Bath{alum, first, blue}}} {
			p := b.piece(session, wool("w 1"), x.baths...)
			for k := range p.Route.Layers {
				if p.Route.Layers[k].BathID == blue.ID {
					p.Route.Layers[k].IntendedDepth = trial.Deep
				}
			}
			b.read(p, trial.Lab{}, flat(x.r))
		}
	}
	s.put(b.Trial)
	h := open(t, s)
	answer, err := h.pool.PredictOverdye(t.Context(), pool.OverdyeQuestion{Reader: "birch", FirstPiece: ids[1]["weld"], SecondDye: "indigo", SecondDepth: trial.Medium, MinimumRevision: h.Revision()})
	require.NoError(t, err)
	assert.Len(t, answer.GetTrials(), 2)
	assert.EqualValues(t, 2, answer.GetTrialsLent())
	for _, lent := range h.modules.Overdyes()[0].GetRelatedTrials() {
		assert.NotEqual(t, b.Sessions[0].ID, lent.GetTrialId())
	}
}

// Sessions that a pot of colour ties share that pot's accidents, and are one trial: left out alone, the one would be predicted by the other. A pot of mordant
// ties nothing.
func TestTiedSessionsAreOneTrial(t *testing.T) {
	s, b, ids := overdyeShelf(3)
	dye := func(alum, blue *trial.Bath) {
		session := b.session("")
		first := pot("weld")
		for _, x := range []struct {
			r     float64
			baths []*trial.Bath
		}{{0.8, nil}, {0.45, []*trial.Bath{alum, first}}, {0.3, []*trial.Bath{alum, blue}}, {0.2, []*trial.Bath{alum, first, blue}}} {
			b.read(b.piece(session, wool("w 1"), x.baths...), trial.Lab{}, flat(x.r))
		}
	}
	tied, cone := vat(), mordant("alum")
	dye(mordant("alum"), tied)
	dye(mordant("alum"), tied)
	dye(cone, vat())
	dye(cone, vat())
	s.put(b.Trial)
	h := open(t, s)
	answer, err := h.pool.PredictOverdye(t.Context(), pool.OverdyeQuestion{Reader: "birch", FirstPiece: ids[0]["weld"], SecondDye: "indigo", MinimumRevision: h.Revision()})
	require.NoError(t, err)
	assert.Len(t, answer.GetTrials(), 3+1+2, "of seven sessions")
	var pieces []int
	for _, of := range h.modules.Overdyes()[0].GetTrials() {
		pieces = append(pieces, len(of.GetPieces()))
	}
	slices.Sort(pieces)
	assert.Equal(t, []int{1, 1, 1, 1, 1, 2}, pieces)
}
