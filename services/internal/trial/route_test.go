package trial_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/services/internal/trial"
)

func TestBothOrdersAreToldApart(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID:     "t",
		Pieces: []trial.Piece{piece("ab", 10), piece("ba", 10)},
		Immersions: []trial.Immersion{
			in("ab", "alum", 1), in("ab", "weld 1", 2), dipped(in("ab", "vat", 3), 3),
			in("ba", "alum", 1), dipped(in("ba", "vat", 2), 3), in("ba", "weld 2", 3),
		},
	}, alumbath("alum"), dyebath("weld 1", "weld", 5), dyebath("weld 2", "weld", 5), vat("vat", "indigo", 20, 8))

	ab, ba := c.route("ab"), c.route("ba")
	assert.Equal(t, "weld > indigo", ab.Order)
	assert.Equal(t, "indigo > weld", ba.Order)
	assert.Equal(t, "alum > weld > indigo (3 dips)", ab.Text)
	assert.Equal(t, "alum > indigo (3 dips) > weld", ba.Text)
	assert.False(t, ab.NotStated)
	require.Len(t, ab.Layers, 3)
	assert.Equal(t, []trial.LayerMaterial{{Material: "alum", Role: trial.Mordant}, {Material: "cream of tartar", Role: trial.Assist}}, ab.Layers[0].Materials)
	assert.InDelta(t, 50, c.delivered("ab", 1), 1e-9)
	vatLayer := ab.Layers[2]
	assert.Equal(t, 3, vatLayer.Dips)
	require.NotNil(t, vatLayer.ConcentrationGPerL)
	assert.InDelta(t, 2.5, *vatLayer.ConcentrationGPerL, 1e-12)
	assert.Nil(t, vatLayer.DeliveredPercentWOF, "a vat has no % WOF")
	assert.Nil(t, ab.Layers[0].DeliveredPercentWOF, "delivered is of dye")
}

func TestSixArms(t *testing.T) {
	c := newCoop(t)
	arms := map[string]string{ // arm: order
		"A": "weld", "B": "madder", "A then B": "weld > madder", "B then A": "madder > weld",
		"A then blank": "weld", "B then blank": "madder", "undyed": "",
	}
	first := map[string]string{
		"A": "weld 1", "A then B": "weld 1", "A then blank": "weld 1",
		"B": "madder 1", "B then A": "madder 1", "B then blank": "madder 1",
	}
	second := map[string]string{
		"A then B": "madder 2", "B then A": "weld 2", "A then blank": "blank madder", "B then blank": "blank weld",
	}
	given := trial.Trial{ID: "t"}
	for arm := range arms {
		given.Pieces = append(given.Pieces, piece(arm, 5))
		if bath := first[arm]; bath != "" {
			given.Immersions = append(given.Immersions, in(arm, bath, 1))
		}
		if bath := second[arm]; bath != "" {
			given.Immersions = append(given.Immersions, in(arm, bath, 2))
		}
	}
	c.mustSubmit(ana, given, dyebath("weld 1", "weld", 10), dyebath("weld 2", "weld", 10), dyebath("madder 1", "madder", 10),
		dyebath("madder 2", "madder", 10), blank("blank weld", "weld"), blank("blank madder", "madder"))
	for arm, order := range arms {
		route := c.route(arm)
		assert.Equal(t, order, route.Order, arm)
		assert.False(t, route.NotStated, arm)
	}
	withBlank := c.route("A then blank")
	assert.Equal(t, "weld > blank of madder", withBlank.Text)
	require.Len(t, withBlank.Layers, 2)
	assert.Equal(t, "madder", withBlank.Layers[1].BlankOf)
	assert.False(t, withBlank.Layers[1].IsColour())
	assert.Empty(t, c.route("undyed").Layers)
}

func TestTheMordantsPlaceIsPartOfTheRoute(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID:     "t",
		Pieces: []trial.Piece{piece("before", 5), piece("after", 5), piece("in one pot", 5)},
		Immersions: []trial.Immersion{
			in("before", "alum", 1), in("before", "vat", 2),
			in("after", "vat", 1), in("after", "alum", 2),
			in("in one pot", "pot", 1),
		},
	}, alumbath("alum"), vat("vat", "indigo", 4, 4), trial.Bath{
		ID: "pot", Label: "pot", Purposes: []trial.Purpose{trial.MordantBath, trial.DyeBath},
		Additions: []trial.Addition{add("weld", trial.Dye, grams(5)), add("alum", trial.Mordant, grams(1)), add("madder", trial.Dye, grams(2.5))},
	})
	assert.Equal(t, "alum > indigo (1 dip)", c.route("before").Text)
	assert.Equal(t, "indigo (1 dip) > alum", c.route("after").Text)
	assert.NotEqual(t, c.route("before").Layers, c.route("after").Layers)

	pot := c.route("in one pot")
	require.Len(t, pot.Layers, 1)
	assert.Equal(t, []trial.LayerMaterial{
		{Material: "madder", Role: trial.Dye}, {Material: "weld", Role: trial.Dye}, {Material: "alum", Role: trial.Mordant},
	}, pot.Layers[0].Materials)
	assert.Equal(t, "madder+weld", pot.Order)
	assert.Equal(t, "madder+weld with alum", pot.Text)
	assert.InDelta(t, 150, c.delivered("in one pot", 0), 1e-9)
}

// 100 % WOF is the fibre's own mass of dyestuff: common practice, no source.
func TestDeliveredPercentWOF(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID:         "t",
		Pieces:     []trial.Piece{piece("p", 12.5), piece("q", 12.5)},
		Immersions: []trial.Immersion{in("p", "own", 1), in("q", "shared", 1)},
	}, dyebath("own", "weld", 12.5), trial.Bath{
		ID: "shared", Label: "shared", Purposes: []trial.Purpose{trial.DyeBath}, OpenToMembers: true,
		Additions: []trial.Addition{add("weld", trial.Dye, grams(12.5))},
	})
	assert.InDelta(t, 100, c.delivered("p", 0), 1e-12)
	assert.InDelta(t, 100, c.delivered("q", 0), 1e-12)

	// Another member puts as much again into the pot: each then has half.
	c.mustSubmit(ben, trial.Trial{
		ID: "t2", Pieces: []trial.Piece{piece("r", 12.5)}, Immersions: []trial.Immersion{in("r", "shared", 1)},
	})
	assert.InDelta(t, 50, c.delivered("q", 0), 1e-12)
	assert.InDelta(t, 50, c.delivered("r", 0), 1e-12)
	assert.InDelta(t, 100, c.delivered("p", 0), 1e-12)
}

// A liquid by its volume counts with the mass that its density gives it, and without one it isn't known.
func TestDeliveredOfLiquids(t *testing.T) {
	c := newCoop(t)
	dense := add("walnut extract", trial.Dye, litres(0.02))
	heavy := 1.25
	dense.DensityKgPerL = &heavy
	c.mustSubmit(ana, trial.Trial{
		ID: "t", Pieces: []trial.Piece{piece("p", 50), piece("q", 50)}, Immersions: []trial.Immersion{in("p", "known", 1), in("q", "unknown", 1)},
	}, bathOf("known", trial.DyeBath, dense), bathOf("unknown", trial.DyeBath, add("walnut extract", trial.Dye, litres(0.02))))
	assert.InDelta(t, 50, c.delivered("p", 0), 1e-9, "20 mL of 1.25 kg/L are 25 g")
	assert.Nil(t, c.route("q").Layers[0].DeliveredPercentWOF)
	for _, wrong := range []float64{0, 0.49, 3.1, -1, math.NaN()} {
		bad := add("walnut extract", trial.Dye, litres(0.02))
		bad.DensityKgPerL = &wrong
		err := c.addToBath(ana, "known", trial.BathEntries{Additions: []trial.Addition{bad}})
		require.ErrorContains(t, err, "density_kg_per_l")
		require.ErrorContains(t, err, "outside 0.5 to 3")
	}
}

func TestUnknownAmountsEnterNoCalculation(t *testing.T) {
	c := newCoop(t)
	unweighed := piece("unweighed", 0)
	unweighed.Mass = trial.Amount{Knowledge: trial.NotKnown}
	estimated := trial.Amount{Knowledge: trial.Estimated, Value: 5, Unit: trial.Gram}
	c.mustSubmit(ana, trial.Trial{
		ID:     "t",
		Pieces: []trial.Piece{piece("p", 5), piece("q", 5), piece("r", 5), piece("s", 5), piece("v", 5), unweighed},
		Immersions: []trial.Immersion{
			in("p", "handful", 1), in("q", "with unweighed", 1), in("unweighed", "with unweighed", 1),
			in("r", "estimated", 1), in("s", "liquor", 1), in("v", "vat", 1),
		},
	},
		bathOf("handful", trial.DyeBath, add("weld", trial.Dye, grams(5)), add("dyer's broom", trial.Dye, handful())),
		dyebath("with unweighed", "weld", 5),
		bathOf("estimated", trial.DyeBath, add("weld", trial.Dye, estimated)),
		bathOf("liquor", trial.DyeBath, add("weld", trial.Dye, litres(1))),
		bathOf("vat", trial.Vat, add("indigo", trial.Dye, grams(5))),
	)
	for _, id := range []string{"p", "q", "s"} {
		layer := c.route(id).Layers[0]
		assert.Nil(t, layer.DeliveredPercentWOF, id)
		assert.False(t, layer.ContentsNotStated, id)
	}
	assert.Equal(t, "dyer's broom+weld", c.route("p").Order, "what went in is known; how much isn't")
	assert.InDelta(t, 100, c.delivered("r", 0), 1e-12)
	assert.Nil(t, c.route("v").Layers[0].ConcentrationGPerL, "a vat of unknown volume")
	bath, err := c.Bath("handful")
	require.NoError(t, err)
	assert.Equal(t, "a handful", bath.Additions[1].Amount.Note)
}

func TestExhaustBaths(t *testing.T) {
	c := newCoop(t)
	topUp := add("madder", trial.Dye, grams(1))
	topUp.Exhaust = 2
	b := dyebath("weld", "weld", 10)
	b.Additions = append(b.Additions, topUp)
	number := dyebath("some exhaust", "weld", 10)
	number.ExhaustNumberNotStated = true
	whether := dyebath("fresh or not", "weld", 10)
	whether.ExhaustNotStated = true
	c.mustSubmit(ana, trial.Trial{
		ID:     "t",
		Pieces: []trial.Piece{piece("fresh", 10), piece("first", 10), piece("second", 10), piece("n", 10), piece("w", 10)},
		Immersions: []trial.Immersion{
			in("fresh", "weld", 1), exhaust(in("first", "weld", 1), 1), exhaust(in("second", "weld", 1), 2),
			exhaust(in("n", "some exhaust", 1), 1), in("w", "fresh or not", 1),
		},
	}, b, number, whether)

	assert.InDelta(t, 100, c.delivered("fresh", 0), 1e-12, "the load of the fresh bath is its own")
	assert.Nil(t, c.route("first").Layers[0].DeliveredPercentWOF)
	assert.Equal(t, "weld (exhaust bath 1)", c.route("first").Text)
	assert.Equal(t, "madder+weld (exhaust bath 2)", c.route("second").Text)
	assert.Equal(t, "weld (exhaust bath, number not stated)", c.route("n").Text)
	assert.True(t, c.route("n").Layers[0].ExhaustNumberNotStated)
	assert.Equal(t, "weld (fresh or exhaust bath not stated)", c.route("w").Text)
	assert.Nil(t, c.route("w").Layers[0].DeliveredPercentWOF)
	assert.False(t, c.route("w").NotStated, "the order of the colours is known")
}

func TestNeighbouringStepsInOneBathAreOneLayer(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID:     "t",
		Pieces: []trial.Piece{piece("p", 10), piece("q", 10)},
		Immersions: []trial.Immersion{
			dipped(in("p", "vat", 1), 2), in("p", "rinse", 2), in("p", "vat", 3), in("p", "weld", 4), in("p", "vat", 5),
			in("q", "weld", 1), exhaust(in("q", "weld", 2), 1),
		},
	}, vat("vat", "indigo", 10, 10), dyebath("weld", "weld", 10), trial.Bath{ID: "rinse", Label: "rinse", Purposes: []trial.Purpose{trial.Rinse}})
	assert.Equal(t, "indigo (3 dips) > weld > indigo (1 dip)", c.route("p").Text)
	assert.Equal(t, "indigo > weld > indigo", c.route("p").Order)
	assert.Equal(t, "weld > weld (exhaust bath 1)", c.route("q").Text)
	assert.InDelta(t, 50, c.delivered("q", 0), 1e-12)
}

func TestWhatIsNotStated(t *testing.T) {
	c := newCoop(t)
	before := piece("before", 10)
	before.HistoryNotStated = true
	c.mustSubmit(ana, trial.Trial{
		ID:     "t",
		Pieces: []trial.Piece{before, piece("step", 10), piece("mordant", 10), piece("no dye told", 10), piece("scoured", 10)},
		Immersions: []trial.Immersion{
			in("before", "weld", 1),
			in("step", "something", 1), in("step", "weld", 2),
			in("mordant", "some mordant", 1), in("mordant", "weld", 2),
			in("no dye told", "pot", 1), in("scoured", "scour", 1), in("scoured", "weld", 2),
		},
	}, dyebath("weld", "weld", 10),
		trial.Bath{ID: "something", Label: "something", ContentsNotStated: true},
		trial.Bath{ID: "some mordant", Label: "m", Purposes: []trial.Purpose{trial.MordantBath}, ContentsNotStated: true},
		bathOf("pot", trial.DyeBath), bathOf("scour", trial.Scour, add("soap", trial.Assist, handful())))
	c.mustAdd(ana, "t", trial.Entries{Pieces: []trial.Piece{part("part of before", "before", trial.Taken, 1, 3)}})

	for id, text := range map[string]string{
		"before":         "earlier steps not stated > weld",
		"part of before": "earlier steps not stated > weld",
		"step":           "step not stated > weld",
		"mordant":        "mordant not stated > weld",
		"no dye told":    "dye not stated",
	} {
		assert.True(t, c.route(id).NotStated, id)
		assert.Equal(t, text, c.route(id).Text)
	}
	assert.Equal(t, "not stated", c.route("no dye told").Order)
	assert.Equal(t, "weld", c.route("step").Order)
	assert.False(t, c.route("scoured").NotStated)
	assert.Equal(t, "weld", c.route("scoured").Text, "a scour makes no layer")
}

func TestPartsInheritAcrossMembers(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID: "ana's", Pieces: []trial.Piece{piece("cone", 30)}, Immersions: []trial.Immersion{in("cone", "alum", 1)},
	}, alumbath("alum"), dyebath("weld", "weld", 10), dyebath("late", "weld", 24))
	// A mordanted cone lives on, lighter, while strips of it are dyed.
	c.mustAdd(ana, "ana's", trial.Entries{
		Pieces:     []trial.Piece{part("strip", "cone", trial.Taken, 1, 10), part("sent", "cone", trial.Taken, 1, 8)},
		Immersions: []trial.Immersion{in("strip", "weld", 1)},
	})
	assert.Equal(t, "alum > weld", c.route("strip").Text)
	assert.Equal(t, "alum", c.route("cone").Text)
	assert.False(t, c.piece("cone").Ended)
	assert.InDelta(t, 100, c.delivered("strip", 1), 1e-9)

	// One is posted; ben splits it and dyes a half of it in his own trial.
	require.NoError(t, c.post(ana, "sent", ben))
	c.mustSubmit(ben, trial.Trial{
		ID:         "ben's",
		Pieces:     []trial.Piece{part("half", "sent", trial.Split, 0, 4), part("other half", "sent", trial.Split, 0, 4)},
		Immersions: []trial.Immersion{dipped(in("half", "vat", 1), 2)},
	}, vat("vat", "indigo", 4, 4))
	assert.Equal(t, "alum > indigo (2 dips)", c.route("half").Text)
	assert.Equal(t, "alum", c.route("other half").Text)
	assert.True(t, c.piece("sent").Ended, "a split piece ends, in whoever's trial it is")
	assert.Equal(t, "grey ewe", c.piece("half").Fibre.Lot, "a part has its forebear's fibre")
	assert.Equal(t, ben, c.piece("half").Holder)

	// The cone goes into a pot later, without what was taken: 30 - 10 - 8 g of fibre in 24 g of dye.
	c.mustAdd(ana, "ana's", trial.Entries{Immersions: []trial.Immersion{in("cone", "late", 2)}})
	assert.InDelta(t, 200, c.delivered("cone", 1), 1e-9)

	// What is taken still later doesn't change that, what was taken before does.
	c.mustAdd(ana, "ana's", trial.Entries{Pieces: []trial.Piece{part("later", "cone", trial.Taken, 2, 2)}})
	assert.InDelta(t, 200, c.delivered("cone", 1), 1e-9)
	assert.Equal(t, "alum > weld", c.route("later").Text)
	assert.InDelta(t, 200, c.delivered("later", 1), 1e-9)
	c.mustAdd(ana, "ana's", trial.Entries{Pieces: []trial.Piece{part("forgotten", "cone", trial.Taken, 1, 4)}})
	assert.InDelta(t, 300, c.delivered("cone", 1), 1e-9)
	assert.InDelta(t, 300, c.delivered("later", 1), 1e-9)
}

func TestFibreCountsOnceInALoad(t *testing.T) {
	c := newCoop(t)
	c.mustSubmit(ana, trial.Trial{
		ID:     "t",
		Pieces: []trial.Piece{piece("p", 10), part("q", "p", trial.Taken, 1, 4)},
		// The part goes into the pot that the whole was in already: no more fibre than before.
		Immersions: []trial.Immersion{in("p", "weld", 1), in("q", "weld", 1)},
	}, dyebath("weld", "weld", 10))
	assert.InDelta(t, 100, c.delivered("p", 0), 1e-12)
	assert.Equal(t, "weld", c.route("q").Text, "steps next to each other in one bath are one layer, inherited ones too")
}

func TestAChangedBathChangesEveryDescendant(t *testing.T) {
	c := newCoop(t)
	open := dyebath("weld", "weld", 10)
	open.OpenToMembers = true
	c.mustSubmit(ana, trial.Trial{
		ID: "ana's", Pieces: []trial.Piece{piece("p", 10), piece("elsewhere", 10)},
		Immersions: []trial.Immersion{in("p", "weld", 1), in("elsewhere", "madder", 1)},
	}, open, dyebath("madder", "madder", 10))
	require.NoError(t, c.post(ana, "p", ben))
	c.mustSubmit(ben, trial.Trial{
		ID: "ben's", Pieces: []trial.Piece{part("q", "p", trial.Taken, 1, 4)}, Immersions: []trial.Immersion{in("q", "vat", 1)},
	}, vat("vat", "indigo", 4, 4))
	c.mustSubmit(cleo, trial.Trial{ID: "cleo's", Pieces: []trial.Piece{piece("stranger", 5)}})
	assert.Equal(t, "weld > indigo", c.route("q").Order)

	before := len(c.Changes)
	require.NoError(t, c.addToBath(ana, "weld", trial.BathEntries{Additions: []trial.Addition{
		add("madder", trial.Dye, grams(5)), add("chalk", trial.Assist, handful()),
	}}))
	assert.Equal(t, "madder+weld > indigo", c.route("q").Order)
	assert.Equal(t, "madder+weld", c.route("p").Order)
	assert.InDelta(t, 150, c.delivered("p", 0), 1e-9)
	var kinds []string
	for _, change := range c.Changes[before:] {
		kinds = append(kinds, change.ID)
		if strings.HasSuffix(change.ID, "'s") {
			assert.Equal(t, trial.RoutesChanged, change.Kind)
		}
	}
	assert.Equal(t, []string{"weld", "ana's", "ben's"}, kinds, "the routes' trials, and no other")

	// A check changes no route, so no trial is written.
	before = len(c.Changes)
	ph := 6.5
	require.NoError(t, c.addToBath(ana, "weld", trial.BathEntries{Checks: []trial.Check{{Entry: trial.Entry{ID: "check"}, PH: &ph}}}))
	assert.Len(t, c.Changes, before+1)

	// Putting an addition right is seen as far.
	bath, err := c.Bath("weld")
	require.NoError(t, err)
	wrong := bath.Additions[1]
	right := add("cutch", trial.Dye, grams(10))
	right.Entry = correcting(right.Entry, wrong.ID, "other bag")
	require.NoError(t, c.addToBath(ana, "weld", trial.BathEntries{Additions: []trial.Addition{right}}))
	assert.Equal(t, "cutch+weld > indigo", c.route("q").Order)
	assert.InDelta(t, 200, c.delivered("p", 0), 1e-9)
}

func TestWaterKey(t *testing.T) {
	for _, c := range []struct {
		parts []trial.WaterPart
		key   string
	}{
		{nil, ""},
		{[]trial.WaterPart{{SourceID: "well", Parts: 3}}, "well:100"},
		{[]trial.WaterPart{{SourceID: "well", Parts: 2}, {SourceID: "rain", Parts: 3}}, "rain:60+well:40"},
		{[]trial.WaterPart{{SourceID: "well", SampleID: "may", Parts: 1}, {SourceID: "rain", Parts: 1}, {SourceID: "well", SampleID: "june", Parts: 1}}, "rain:33.3+well:66.7"},
		{[]trial.WaterPart{{SourceID: "well", Parts: math.NaN()}}, ""},
		{[]trial.WaterPart{{SourceID: "well", Parts: -1}, {SourceID: "rain", Parts: 2}}, ""},
		{[]trial.WaterPart{{SourceID: "well", Parts: math.MaxFloat64}, {SourceID: "rain", Parts: math.MaxFloat64}}, ""},
	} {
		assert.Equal(t, c.key, trial.WaterKey(c.parts))
	}
}

func TestDeriveRouteOfAbsurdFigures(t *testing.T) {
	for _, g := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1, 0, math.MaxFloat64} {
		b := vat("vat", "indigo", g, g)
		d := dyebath("weld", "weld", g)
		route := trial.DeriveRoute([]trial.Stretch{{Steps: []trial.Step{
			{Immersion: in("p", "weld", 1), Bath: &d, LoadG: &g}, {Immersion: in("p", "vat", 2), Bath: &b},
		}}})
		require.Len(t, route.Layers, 2)
		for _, figure := range []*float64{route.Layers[0].DeliveredPercentWOF, route.Layers[1].ConcentrationGPerL} {
			if figure != nil {
				assert.False(t, math.IsNaN(*figure) || math.IsInf(*figure, 0))
			}
		}
	}
}

// history draws pieces of one forebear, each with a few steps, in baths with one dye each.
func history(t *rapid.T) (trial.Trial, []trial.Bath) {
	names := []string{"weld", "madder", "walnut", "cutch"}
	var baths []trial.Bath
	for _, name := range names {
		baths = append(baths, dyebath(name, name, float64(rapid.IntRange(1, 50).Draw(t, "dye"))))
	}
	given := trial.Trial{ID: "t"}
	n := rapid.IntRange(1, 5).Draw(t, "pieces")
	positions, mass := map[string]int{}, map[string]float64{}
	for i := range n {
		id := string(rune('a' + i))
		p := piece(id, 100)
		mass[id] = 100
		if i > 0 && rapid.Bool().Draw(t, "is a part") {
			parent := string(rune('a' + rapid.IntRange(0, i-1).Draw(t, "parent")))
			mass[id] = mass[parent] / 8
			p = part(id, parent, trial.Taken, rapid.IntRange(0, positions[parent]).Draw(t, "after"), mass[id])
		}
		given.Pieces = append(given.Pieces, p)
		positions[id] = rapid.IntRange(0, 4).Draw(t, "steps")
		for position := range positions[id] {
			im := in(id, rapid.SampledFrom(names).Draw(t, "bath"), position+1)
			im.Exhaust = rapid.IntRange(0, 1).Draw(t, "exhaust")
			given.Immersions = append(given.Immersions, im)
		}
	}
	return given, baths
}

func TestEntryOrderMakesNoDifference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		given, baths := history(t)
		c, d, e := newCoop(t), newCoop(t), newCoop(t)
		c.mustSubmit(ana, given, baths...)

		shuffle := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		other := given
		other.Pieces, other.Immersions = slices.Clone(given.Pieces), slices.Clone(given.Immersions)
		shuffle.Shuffle(len(other.Pieces), func(i, j int) { other.Pieces[i], other.Pieces[j] = other.Pieces[j], other.Pieces[i] })
		shuffle.Shuffle(len(other.Immersions), func(i, j int) {
			other.Immersions[i], other.Immersions[j] = other.Immersions[j], other.Immersions[i]
		})
		d.mustSubmit(ana, other, baths...)

		// One entry at a time.
		e.mustSubmit(ana, trial.Trial{ID: "t"}, baths...)
		for _, p := range given.Pieces {
			if p.Origin.Kind == trial.Whole {
				e.mustAdd(ana, "t", trial.Entries{Pieces: []trial.Piece{p}})
				for _, im := range given.Immersions {
					if im.PieceID == p.ID {
						e.mustAdd(ana, "t", trial.Entries{Immersions: []trial.Immersion{im}})
					}
				}
				continue
			}
			entries := trial.Entries{Pieces: []trial.Piece{p}}
			for _, im := range given.Immersions {
				if im.PieceID == p.ID {
					entries.Immersions = append(entries.Immersions, im)
				}
			}
			e.mustAdd(ana, "t", entries)
		}
		for _, p := range given.Pieces {
			require.Equal(t, c.route(p.ID), d.route(p.ID), p.ID)
			require.Equal(t, c.route(p.ID), e.route(p.ID), p.ID)
		}
	})
}

func TestAnotherPieceInThePotLowersTheOthers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := newCoop(t)
		mass := rapid.Float64Range(0.1, 500)
		given := trial.Trial{ID: "t"}
		for i := range rapid.IntRange(1, 6).Draw(t, "pieces") {
			id := string(rune('a' + i))
			given.Pieces = append(given.Pieces, piece(id, mass.Draw(t, "mass")))
			given.Immersions = append(given.Immersions, in(id, "weld", 1))
		}
		c.mustSubmit(ana, given, dyebath("weld", "weld", mass.Draw(t, "dye")))
		before := c.delivered("a", 0)
		for _, p := range given.Pieces {
			require.InDelta(t, before, c.delivered(p.ID, 0), 1e-9*before, "one pot gives all in it the same")
		}
		c.mustAdd(ana, "t", trial.Entries{
			Pieces: []trial.Piece{piece("another", mass.Draw(t, "mass"))}, Immersions: []trial.Immersion{in("another", "weld", 1)},
		})
		require.Less(t, c.delivered("a", 0), before)
		require.InDelta(t, c.delivered("another", 0), c.delivered("a", 0), 1e-9*before)
	})
}

func TestAPartsRouteIsItsParentsPrefixAndItsOwn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := newCoop(t)
		steps := rapid.IntRange(0, 5).Draw(t, "parent's steps")
		after := rapid.IntRange(0, steps).Draw(t, "after")
		given := trial.Trial{ID: "t", Pieces: []trial.Piece{piece("parent", 50), part("part", "parent", trial.Taken, after, 5)}}
		var baths []trial.Bath
		name := func(i int) string { return string(rune('a' + i)) }
		for i := range steps {
			baths = append(baths, dyebath(name(i), "dye "+name(i), 5))
			given.Immersions = append(given.Immersions, in("parent", name(i), i+1))
		}
		own := rapid.IntRange(0, 3).Draw(t, "own steps")
		for i := range own {
			baths = append(baths, dyebath(name(10+i), "dye "+name(10+i), 5))
			given.Immersions = append(given.Immersions, in("part", name(10+i), i+1))
		}
		c.mustSubmit(ana, given, baths...)
		parent, route := c.route("parent"), c.route("part")
		require.Len(t, parent.Layers, steps)
		require.Len(t, route.Layers, after+own)
		for i := range after {
			require.Equal(t, parent.Layers[i], route.Layers[i])
		}
		for i, layer := range route.Layers[after:] {
			require.Equal(t, "dye "+name(10+i), layer.DyeNames())
		}
	})
}
