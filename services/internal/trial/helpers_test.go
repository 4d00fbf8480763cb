package trial_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/trial"
	"github.com/commonvat/commonvat/services/internal/trial/trialtest"
)

// The members of an invented cooperative.
const (
	ana  = "ana"
	ben  = "ben"
	cleo = "cleo"
)

var now = time.Date(2026, 5, 3, 10, 0, 0, 0, time.UTC)

func grams(g float64) trial.Amount {
	return trial.Amount{Knowledge: trial.Measured, Value: g, Unit: trial.Gram}
}

func litres(l float64) trial.Amount {
	return trial.Amount{Knowledge: trial.Measured, Value: l, Unit: trial.Litre}
}

// massOf asks for a piece's mass to be put right.
func massOf(pieceID string, g float64, reason string) trial.PieceChange {
	mass := grams(g)
	return trial.PieceChange{PieceID: pieceID, Mass: &mass, Reason: reason}
}

func sampleOf(id string) trial.WaterSample { return trial.WaterSample{Entry: trial.Entry{ID: id}} }

func handful() trial.Amount { return trial.Amount{Knowledge: trial.NotKnown, Note: "a handful"} }

func wool() trial.Fibre {
	return trial.Fibre{Composition: []trial.FibrePart{{Fibre: "wool", Percent: 100}}, Form: "yarn", Lot: "grey ewe"}
}

func piece(id string, g float64) trial.Piece {
	return trial.Piece{ID: id, Fibre: wool(), Mass: grams(g), BalanceResolutionG: 0.1}
}

func part(id, parent string, kind trial.OriginKind, after int, g float64) trial.Piece {
	return trial.Piece{ID: id, Mass: grams(g), BalanceResolutionG: 0.1,
		Origin: trial.Origin{Kind: kind, ParentID: parent, AfterPosition: after}}
}

func bathOf(id string, purpose trial.Purpose, additions ...trial.Addition) trial.Bath {
	return trial.Bath{ID: id, Label: id, Purposes: []trial.Purpose{purpose}, Additions: additions}
}

var additions int

func add(material string, role trial.Role, amount trial.Amount) trial.Addition {
	additions++
	return trial.Addition{Entry: trial.Entry{ID: fmt.Sprintf("addition %d", additions)}, Material: material, Role: role, Amount: amount}
}

func dyebath(id, dye string, g float64) trial.Bath {
	return bathOf(id, trial.DyeBath, add(dye, trial.Dye, grams(g)))
}

func vat(id, dye string, g, l float64) trial.Bath {
	b := bathOf(id, trial.Vat, add(dye, trial.Dye, grams(g)), add("washing soda", trial.Assist, grams(3)))
	b.Liquor = litres(l)
	return b
}

func alumbath(id string) trial.Bath {
	return bathOf(id, trial.MordantBath, add("alum", trial.Mordant, grams(2)), add("cream of tartar", trial.Assist, handful()))
}

func blank(id, of string) trial.Bath {
	b := bathOf(id, trial.DyeBath)
	b.BlankOf = of
	return b
}

// in puts a piece into a bath; the entry is named by both.
func in(pieceID, bathID string, position int) trial.Immersion {
	return trial.Immersion{
		Entry:   trial.Entry{ID: fmt.Sprintf("%s in %s at %d", pieceID, bathID, position)},
		PieceID: pieceID, BathID: bathID, Position: position,
	}
}

func dipped(im trial.Immersion, dips int) trial.Immersion {
	im.Dips = dips
	return im
}

func exhaust(im trial.Immersion, n int) trial.Immersion {
	im.Exhaust = n
	return im
}

func lab(id, pieceID string) trial.Reading {
	return trial.Reading{
		Entry: trial.Entry{ID: id}, PieceID: pieceID,
		Raw: trial.RawColour{Lab: &trial.Lab{L: 60, A: -2, B: 40}, LabCondition: trial.ColourCondition{
			Illuminant: trial.IlluminantD65, Observer: trial.Observer10,
		}},
		State: trial.Dry, AgeDays: trial.AgeUnstated, AfterPosition: trial.AfterAll,
	}
}

func correcting(e trial.Entry, wrong, reason string) trial.Entry {
	e.CorrectsID, e.Reason = wrong, reason
	return e
}

// coop is a book with a few shortcuts.
type coop struct {
	*trialtest.Book
	t require.TestingT
}

func newCoop(t require.TestingT) *coop {
	return &coop{Book: trialtest.New(ana, ben, cleo), t: t}
}

func (c *coop) submit(member string, t trial.Trial, baths ...trial.Bath) (*trial.Trial, error) {
	if t.Title == "" {
		t.Title = t.ID
	}
	var kept *trial.Trial
	err := c.Do(func(r trial.Records) (err error) {
		kept, _, err = trial.SubmitTrial(r, member, now, &t, baths)
		return err
	})
	return kept, err
}

func (c *coop) mustSubmit(member string, t trial.Trial, baths ...trial.Bath) *trial.Trial {
	kept, err := c.submit(member, t, baths...)
	require.NoError(c.t, err)
	return kept
}

func (c *coop) add(member, trialID string, e trial.Entries) (*trial.Trial, error) {
	var kept *trial.Trial
	err := c.Do(func(r trial.Records) (err error) {
		kept, err = trial.AddEntries(r, member, now.Add(time.Hour), trialID, "", e)
		return err
	})
	return kept, err
}

func (c *coop) mustAdd(member, trialID string, e trial.Entries) *trial.Trial {
	kept, err := c.add(member, trialID, e)
	require.NoError(c.t, err)
	return kept
}

func (c *coop) addToBath(member, bathID string, e trial.BathEntries) error {
	return c.Do(func(r trial.Records) error {
		_, err := trial.AddToBath(r, member, now.Add(2*time.Hour), bathID, "", e)
		return err
	})
}

func (c *coop) post(member, pieceID, to string) error {
	return c.Do(func(r trial.Records) error {
		_, err := trial.PostPiece(r, member, now.Add(time.Hour), pieceID, to)
		return err
	})
}

func (c *coop) piece(id string) trial.Piece {
	home, err := c.TrialOfPiece(id)
	require.NoError(c.t, err)
	t, err := c.Trial(home)
	require.NoError(c.t, err)
	for i := range t.Pieces {
		if t.Pieces[i].ID == id {
			return t.Pieces[i]
		}
	}
	require.Fail(c.t, "no piece "+id)
	return trial.Piece{}
}

func (c *coop) route(id string) trial.Route { return c.piece(id).Route }

func (c *coop) delivered(id string, layer int) float64 {
	route := c.route(id)
	require.Greater(c.t, len(route.Layers), layer)
	require.NotNil(c.t, route.Layers[layer].DeliveredPercentWOF, "delivered depth of layer %d of %s", layer, route.Text)
	return *route.Layers[layer].DeliveredPercentWOF
}

// refused checks that a change was refused as it should be, and that nothing was written.
func (c *coop) refused(t *testing.T, before []trialtest.Change, err, kind error, says ...string) {
	t.Helper()
	require.ErrorIs(t, err, kind)
	for _, text := range says {
		require.ErrorContains(t, err, text)
	}
	require.Equal(t, before, c.Changes, "a refused change writes nothing")
	require.Zero(t, c.Undone, "it is refused before the first write")
}

// mustRead reads a record for its etag and contents.
func mustRead[T any](c *coop, read func(string) (*T, error), id string) *T {
	kept, err := read(id)
	require.NoError(c.t, err)
	return kept
}

// etag of a record of any sort that the book has by that id.
func (c *coop) etag(id string) string {
	if t, err := c.Trial(id); err == nil {
		return trial.Etag(t.Revision)
	}
	if b, err := c.Bath(id); err == nil {
		return trial.Etag(b.Revision)
	}
	if w, err := c.WaterSource(id); err == nil {
		return trial.Etag(w.Revision)
	}
	e, err := c.Experiment(id)
	require.NoError(c.t, err)
	return trial.Etag(e.Revision)
}

// command is a command that gives a record back.
type command[T any] func(r trial.Records, member string, now time.Time, id, etag string) (*T, error)

// run makes a change of a record by a member two days later, with its present etag.
func run[T any](c *coop, do command[T], member, id string) error {
	return runWith(c, do, member, id, c.etag(id))
}

func runWith[T any](c *coop, do command[T], member, id, etag string) error {
	return c.Do(func(r trial.Records) error {
		_, err := do(r, member, now.AddDate(0, 0, 2), id, etag)
		return err
	})
}

// sound checks that everything that is kept is what a derivation from scratch gives.
func (c *coop) sound(t require.TestingT) {
	trials, err := c.Trials()
	require.NoError(t, err)
	baths, err := c.Baths()
	require.NoError(t, err)
	require.Empty(t, trial.VerifyRecords(trials, baths))
}

func plannedExperiment(id string) trial.Experiment {
	return trial.Experiment{
		ID: id, Title: "which order?", FirstDye: "weld", SecondDye: "indigo", Arms: []trial.Arm{trial.ArmAThenB, trial.ArmBThenA},
		ToleranceDE00: 2, ClosingSessions: 6, Instrument: "the cooperative's", Condition: trial.ColourCondition{Illuminant: trial.IlluminantD65, Observer: trial.Observer10},
	}
}

func (c *coop) mustWater(member, id string, samples ...trial.WaterSample) {
	require.NoError(c.t, c.Do(func(r trial.Records) error {
		_, err := trial.CreateWaterSource(r, member, now, &trial.WaterSource{ID: id, Name: id, Place: "behind the barn", Samples: samples})
		return err
	}))
}

func (c *coop) mustExperiment(member, id string) {
	require.NoError(c.t, c.Do(func(r trial.Records) error {
		e := plannedExperiment(id)
		_, err := trial.CreateExperiment(r, member, now, &e)
		return err
	}))
}

// textsOf is everything that a record says in words.
func textsOf(record any) string {
	body, err := json.Marshal(record)
	if err != nil {
		panic(err)
	}
	return string(body)
}
