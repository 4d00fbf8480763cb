package bench_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// A piece that is taken brings what its recorded trial says of it: iron on silk that met tannin there is told of, of a piece whose route isn't stated nothing is cleared, and another
// member's piece is found as little as none.
func takenPiecesBringTheirHistory(t *testing.T, w *workplace) {
	w.answered(t)
	silk := trial.Fibre{Composition: []trial.FibrePart{{Fibre: "silk", Percent: 100}}}
	tannin := trial.Bath{ID: newID(), Label: "galls", Purposes: []trial.Purpose{trial.TanninBath}, Additions: []trial.Addition{
		{Entry: trial.Entry{ID: newID()}, Material: "oak gall", Role: trial.Tannin, Amount: trial.Amount{Knowledge: trial.Measured, Value: 3, Unit: trial.Gram}},
	}}
	open := trial.Bath{ID: newID(), Label: "nobody knows", Purposes: []trial.Purpose{trial.MordantBath}, ContentsNotStated: true}
	session, dyed, plain, vague := newID(), newID(), newID(), newID()
	piece := func(id, label string) trial.Piece {
		return trial.Piece{ID: id, Label: label, SessionID: session, Fibre: silk, Mass: trial.Amount{Knowledge: trial.Measured, Value: 12, Unit: trial.Gram}}
	}
	in := func(piece, bath string) trial.Immersion {
		return trial.Immersion{Entry: trial.Entry{ID: newID()}, PieceID: piece, BathID: bath, Position: 1}
	}
	laid := &trial.Trial{
		ID: newID(), Title: "squares", Sessions: []trial.Session{{ID: session}}, Pieces: []trial.Piece{piece(dyed, "galled"), piece(plain, "plain"), piece(vague, "vague")},
		Immersions: []trial.Immersion{in(dyed, tannin.ID), in(vague, open.ID)},
	}
	_, err := w.store.Change(t.Context(), store.ChangeRequest{Actor: byAsh, Now: w.now, Apply: func(r trial.Records) ([]byte, error) {
		_, _, err := trial.SubmitTrial(r, ash, w.now, laid, []trial.Bath{tannin, open})
		return nil, err
	}})
	require.NoError(t, err)
	of := func(taken string) *benchpb.SheetFinding {
		p := saddened(1)
		p.Pieces = p.Pieces[:1]
		p.Pieces[0].Composition[0].Fibre, p.Pieces[0].TakenFrom = "silk", taken
		s, err := w.Plan(t.Context(), ash, p)
		require.NoError(t, err)
		return findingOf(bathNamed(t, s, "sadden"), "S007")
	}
	assert.Nil(t, of(""), "iron alone")
	assert.Nil(t, of(plain), "which met nothing")
	found := of(dyed)
	require.NotNil(t, found, "which met galls in its trial")
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_FIRES, found.GetStanding())
	found = of(vague)
	require.NotNil(t, found)
	assert.Equal(t, benchpb.FindingStanding_FINDING_STANDING_NEEDS_ANSWER, found.GetStanding())

	p := saddened(1)
	p.Pieces[0].TakenFrom = dyed
	_, err = w.Plan(t.Context(), "birch", p)
	require.ErrorIs(t, err, trial.ErrNotFound)
}
