package pool_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func (b *book) judge(first, second trial.ID, quality trial.JudgedQuality, choice trial.JudgedChoice, change ...func(*trial.Judgement)) {
	j := trial.Judgement{Entry: trial.Entry{ID: newID()}, FirstID: first, SecondID: second, Quality: quality, Choice: choice, Blind: true,
		FirstAfter: trial.AfterAll, SecondAfter: trial.AfterAll}
	for _, f := range change {
		f(&j)
	}
	b.Judgements = append(b.Judgements, j)
}

// side adds a session with weld and indigo in both orders on one yarn, and gives the pieces: weld first, indigo first.
func (b *book) side(experiment trial.ID) (weldFirst, indigoFirst trial.ID) {
	session, w, alum, indigo := b.session(experiment), wool("w"), mordant("alum"), vat()
	p := b.piece(session, w, alum, pot("weld"), indigo)
	b.read(p, lab(40, 0, 0))
	weldFirst = p.ID
	p = b.piece(session, w, alum, indigo, pot("weld"))
	b.read(p, lab(45, 0, 0))
	return weldFirst, p.ID
}

func TestJudgementsAreCounted(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	for i := range 7 {
		weld, indigo := b.side("")
		if i < 5 { // the pair is indigo > weld, weld > indigo
			b.judge(weld, indigo, trial.Yellower, trial.ChoseFirst)
		} else {
			b.judge(indigo, weld, trial.Yellower, trial.ChoseFirst, func(j *trial.Judgement) { j.Blind = false })
		}
	}
	weld, indigo := b.side("")
	b.judge(weld, indigo, trial.Deeper, trial.ChoseNeither)
	b.judge(weld, indigo, trial.GreyScale, 0, func(j *trial.Judgement) { j.GreyScaleStep = 3 })
	b.judge(weld, indigo, trial.Duller, trial.ChoseFirst, func(j *trial.Judgement) { j.Superseded = true })
	b.judge(weld, indigo, trial.Duller, trial.ChoseFirst, func(j *trial.Judgement) { j.FirstAfter = 1 })
	other, _ := b.side("")
	b.judge(other, indigo, trial.Yellower, trial.ChoseFirst)
	b.judge(other, weld, trial.Yellower, trial.ChoseFirst)
	silk := b.piece(b.Pieces[0].SessionID, trial.Fibre{Composition: []trial.FibrePart{{Fibre: "silk", Percent: 100}}, Lot: "s"}, mordant("alum"), vat(), pot("weld"))
	b.judge(b.Pieces[0].ID, silk.ID, trial.Yellower, trial.ChoseFirst)
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, byOrder)
	votes := answer.GetPairs()[0].GetJudgements()
	require.Len(t, votes, 2)
	assert.Equal(t, "yellower", votes[0].GetQuality())
	assert.Equal(t, [3]int32{2, 5, 0}, [3]int32{votes[0].GetFirst(), votes[0].GetSecond(), votes[0].GetSplit()})
	assert.EqualValues(t, 7, votes[0].GetJudgements(), "blind or not")
	assert.Nil(t, votes[0].P, "no p without an experiment")
	assert.Equal(t, "Exploratory, no verdict: by eye indigo > weld was called yellower in 2 sessions, weld > indigo in 5", votes[0].GetStatement())
	assert.Equal(t, "deeper", votes[1].GetQuality())
	assert.Equal(t, []string{"6 more sessions in which one of the two is called deeper"}, votes[1].GetMissing())
	assert.EqualValues(t, 2, h.modules.Judgements()[0].GetComparisons())
	left := leftOut(answer)
	assert.EqualValues(t, 1, left["judgements: superseded by a correction"])
	assert.EqualValues(t, 1, left["judgements: made before a later bath of one of the pieces"])
	assert.EqualValues(t, 1, left["judgements: by a grey scale: a step says how far two pieces lie apart and not which way, so that it is no vote"])
	assert.EqualValues(t, 1, left["judgements: pieces of no known session, or of two"])
	assert.EqualValues(t, 1, left["judgements: both pieces of the same order"])
	assert.EqualValues(t, 1, left["judgements: of pieces that aren't alike but for the order"])
	filtered := h.ask(t, pool.Question{GroupBy: byOrder.GroupBy, Where: &store.Predicate{Field: "fibre", Value: "silk"}})
	for _, pair := range filtered.GetPairs() {
		assert.Empty(t, pair.GetJudgements())
	}
}

// Pieces that nobody read are in the pool for what was judged of them, and count in no palette.
func TestJudgedPiecesNeedNoReading(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	b.side("")
	session, w, alum, indigo := b.session(""), wool("w"), mordant("alum"), vat()
	first := b.piece(session, w, alum, pot("weld"), indigo).ID
	second := b.piece(session, w, alum, indigo, pot("weld")).ID
	b.judge(first, second, trial.Duller, trial.ChoseSecond)
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, byOrder)
	assert.EqualValues(t, 2, answer.GetPiecesUsed())
	assert.EqualValues(t, 1, answer.GetPairs()[0].GetJudgements()[0].GetFirst())
	_, before := h.pool.Checksum()
	b.Judgements[0].Choice = trial.ChoseFirst
	s.put(b.Trial)
	h.ask(t, byOrder)
	_, after := h.pool.Checksum()
	assert.NotEqual(t, before, after)
}

func TestJudgementsOfAnExperiment(t *testing.T) {
	s := newShelf()
	id := experiment(s, 6)
	b := newBook("ash")
	for range 7 {
		weld, indigo := b.side(id)
		b.judge(weld, indigo, trial.Yellower, trial.ChoseSecond)
		b.judge(weld, indigo, trial.Yellower, trial.ChoseFirst, func(j *trial.Judgement) { j.Blind = false })
	}
	s.put(b.Trial)
	h := open(t, s)
	answer := h.ask(t, pool.Question{GroupBy: byOrder.GroupBy, ExperimentID: id})
	votes := answer.GetPairs()[0].GetJudgements()
	require.Len(t, votes, 1)
	assert.EqualValues(t, 6, votes[0].GetSecond(), "of the sessions of the verdict; the experiment's first order is weld > indigo")
	assert.EqualValues(t, 6, votes[0].GetNotBlind())
	assert.EqualValues(t, 6, votes[0].GetJudgements())
	assert.Equal(t, 0.02, votes[0].GetP())
	assert.Equal(t, "by eye weld > indigo was called yellower in 0 sessions, indigo > weld in 6 (p = 0.020)", votes[0].GetStatement())
	assert.EqualValues(t, 2, leftOut(answer)["judgements: of a session that is not in the verdict"])
	assert.True(t, h.modules.Judgements()[0].GetBlindOnly())

	s = newShelf()
	id = experiment(s, 6)
	b = newBook("ash")
	weld, indigo := b.side(id)
	b.judge(weld, indigo, trial.Yellower, trial.ChoseSecond)
	s.put(b.Trial)
	votes = open(t, s).ask(t, pool.Question{GroupBy: byOrder.GroupBy, ExperimentID: id}).GetPairs()[0].GetJudgements()
	assert.Nil(t, votes[0].P)
	assert.Contains(t, votes[0].GetStatement(), "Exploratory, no verdict")
}

func TestCountsThatCannotBe(t *testing.T) {
	p := 0.5
	for name, spoil := range map[string]func(*comparev1.CountJudgementsResponse){
		"more votes than sessions": func(r *comparev1.CountJudgementsResponse) { r.First = 9 },
		"less than none":           func(r *comparev1.CountJudgementsResponse) { r.Second = -1 },
		"a p of 0":                 func(r *comparev1.CountJudgementsResponse) { zero := 0.0; r.P, r.PAdjusted = &zero, &p },
		"no adjusted p":            func(r *comparev1.CountJudgementsResponse) { r.P, r.PAdjusted = &p, nil },
		"nothing missing, no p":    func(r *comparev1.CountJudgementsResponse) { r.P, r.PAdjusted, r.Missing = nil, nil, "" },
		"not blind, all asked":     func(r *comparev1.CountJudgementsResponse) { r.NotBlind = 1 },
	} {
		t.Run(name, func(t *testing.T) {
			s := newShelf()
			b := newBook("ash")
			weld, indigo := b.side("")
			b.judge(weld, indigo, trial.Yellower, trial.ChoseFirst)
			s.put(b.Trial)
			h := open(t, s)
			h.modules.SpoilJudgements(spoil)
			_, err := h.pool.AskPalette(t.Context(), pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_ORDER, MinimumRevision: h.Revision()})
			assert.ErrorIs(t, err, pipeline.ErrModuleAnswer)
		})
	}
}
