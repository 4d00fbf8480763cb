package trial_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Whatever a trial says: it is kept or refused, and what is kept can be read
// again with routes that are whole. The same entries once more are refused or kept likewise.
func FuzzSubmitTrial(f *testing.F) {
	seed := trial.Trial{
		ID: "t", Title: "t", Sessions: []trial.Session{{ID: "monday"}},
		Pieces:     []trial.Piece{piece("p", 10), part("q", "p", trial.Split, 2, 4), part("r", "p", trial.Split, 2, 6)},
		Immersions: []trial.Immersion{in("p", "alum", 1), dipped(in("p", "vat", 2), 3), exhaust(in("q", "weld", 1), 2)},
		Looks:      []trial.Look{{Entry: trial.Entry{ID: "look"}, PieceID: "p", Text: "green"}},
		Readings:   []trial.Reading{lab("reading", "q")},
	}
	body, err := record.EncodeTrial(&seed)
	require.NoError(f, err)
	f.Add(body)
	ring := trial.Trial{ID: "t", Pieces: []trial.Piece{part("a", "b", trial.Taken, 0, 1), part("b", "a", trial.Split, 0, 1)}}
	body, err = record.EncodeTrial(&ring)
	require.NoError(f, err)
	f.Add(body)
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, body []byte) {
		given, err := record.DecodeTrial(body)
		if err != nil {
			return
		}
		c := newCoop(t)
		baths := []trial.Bath{alumbath("alum"), vat("vat", "indigo", 4, 4), dyebath("weld", "weld", 5)}
		kept, err := c.submit(ana, *given, baths...)
		if err != nil {
			require.Empty(t, c.Changes)
			return
		}
		again, err := c.Trial(kept.ID)
		require.NoError(t, err)
		for i := range again.Pieces {
			require.Equal(t, kept.Pieces[i].Route.Text, again.Pieces[i].Route.Text)
		}
		_, err = c.add(ana, kept.ID, trial.Entries{Pieces: given.Pieces, Immersions: given.Immersions, Readings: given.Readings})
		if len(given.Pieces)+len(given.Immersions)+len(given.Readings) > 0 {
			require.Error(t, err, "ids are used once")
		}
	})
}
