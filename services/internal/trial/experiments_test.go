package trial_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// asking is an experiment of another question than orders.
func asking(id string, asks trial.Asks) trial.Experiment {
	e := plannedExperiment(id)
	e.Asks, e.FirstDye, e.SecondDye, e.Arms = asks, "", "", nil
	return e
}

func (c *coop) create(e trial.Experiment) error {
	return c.Do(func(r trial.Records) error {
		_, err := trial.CreateExperiment(r, ana, now, &e)
		return err
	})
}

func TestWhatExperimentsCompare(t *testing.T) {
	c := newCoop(t)
	var waters []trial.ID
	for i := range 8 {
		waters = append(waters, fmt.Sprint("well ", i))
		c.mustWater(ben, waters[i])
	}
	tooMany := make([]string, 21)
	for i := range tooMany {
		tooMany[i] = fmt.Sprint("mordant ", i)
	}
	for name, x := range map[string]struct {
		asks   trial.Asks
		change func(*trial.Experiment)
		says   []string
	}{
		"no water":               {trial.AsksWaters, func(*trial.Experiment) {}, []string{"experiment.water_source_ids", "has 0; 2 to 20"}},
		"one water":              {trial.AsksWaters, func(e *trial.Experiment) { e.WaterSourceIDs = waters[:1] }, []string{"has 1; 2 to 20"}},
		"a water twice":          {trial.AsksWaters, func(e *trial.Experiment) { e.WaterSourceIDs = []trial.ID{"well 1", "well 1"} }, []string{"experiment.water_source_ids[1]", "twice"}},
		"a water that isn't":     {trial.AsksWaters, func(e *trial.Experiment) { e.WaterSourceIDs = []trial.ID{"well 1", "sea"} }, []string{"experiment.water_source_ids[1]", "no water source sea"}},
		"waters and values":      {trial.AsksWaters, func(e *trial.Experiment) { e.WaterSourceIDs, e.Values = waters[:2], []string{"alum", "iron"} }, []string{"experiment.values", "fibres, mordants or exhaust baths"}},
		"a figure of six waters": {trial.AsksWaters, func(e *trial.Experiment) { e.WaterSourceIDs, e.WaterFigure = waters[:6], trial.Iron }, []string{"experiment.water_figure", "7 waters or more"}},
		"a figure of mordants":   {trial.AsksMordants, func(e *trial.Experiment) { e.Values, e.WaterFigure = []string{"alum", "iron"}, trial.PH }, []string{"experiment.water_figure"}},
		"an unknown figure":      {trial.AsksWaters, func(e *trial.Experiment) { e.WaterSourceIDs, e.WaterFigure = waters, 9 }, []string{"experiment.water_figure", "9"}},
		"an unknown question":    {9, func(e *trial.Experiment) { e.Values = []string{"a", "b"} }, []string{"experiment.asks", "9"}},
		"mordants and a dye":     {trial.AsksMordants, func(e *trial.Experiment) { e.Values, e.SecondDye = []string{"alum", "iron"}, "weld" }, []string{"experiment.first_dye", "orders"}},
		"21 mordants":            {trial.AsksMordants, func(e *trial.Experiment) { e.Values = tooMany }, []string{"experiment.values", "has 21"}},
		"a set twice":            {trial.AsksMordants, func(e *trial.Experiment) { e.Values = []string{"alum + iron", "iron+alum"} }, []string{"experiment.values[1]", "twice"}},
		"no words":               {trial.AsksFibres, func(e *trial.Experiment) { e.Values = []string{"wool", ""} }, []string{"experiment.values[1]"}},
		"a long word":            {trial.AsksFibres, func(e *trial.Experiment) { e.Values = []string{"wool", strings.Repeat("x", 201)} }, []string{"experiment.values[1]", "201 characters"}},
		"a bath that isn't":      {trial.AsksExhaustBaths, func(e *trial.Experiment) { e.Values = []string{"fresh bath", "exhaust bath 0"} }, []string{"experiment.values[1]", "exhaust bath 0"}},
		"orders with waters":     {trial.AsksOrders, func(e *trial.Experiment) { *e = plannedExperiment("e"); e.WaterSourceIDs = waters[:2] }, []string{"experiment.water_source_ids"}},
	} {
		t.Run(name, func(t *testing.T) {
			e := asking("e", x.asks)
			x.change(&e)
			c.refused(t, c.Changes, c.create(e), trial.ErrInvalid, x.says...)
		})
	}

	e := asking("mordants", trial.AsksMordants)
	e.Values = []string{"tin+alum", "none"}
	require.NoError(t, c.create(e))
	assert.Equal(t, []string{"alum + tin", "none"}, mustRead(c, c.Experiment, "mordants").Values, "as the pool calls them")
	e = asking("waters", trial.AsksWaters)
	e.WaterSourceIDs, e.WaterFigure = waters[:7], trial.Hardness
	require.NoError(t, c.create(e))
	e = asking("baths", trial.AsksExhaustBaths)
	e.Values = []string{"fresh bath", "exhaust bath 12"}
	require.NoError(t, c.create(e))
	require.NoError(t, c.create(plannedExperiment("orders")))
	assert.Equal(t, trial.AsksOrders, mustRead(c, c.Experiment, "orders").Asks, "kept as what it asks")
	assert.Equal(t, trial.AsksOrders, (&trial.Experiment{}).Asking(), "from before there were other questions")
}

func TestAPlanOfWatersIsFixedOnceASessionCounts(t *testing.T) {
	c := newCoop(t)
	for _, id := range []string{"mill", "tap", "rain"} {
		c.mustWater(ben, id)
	}
	e := asking("e", trial.AsksWaters)
	e.WaterSourceIDs = []trial.ID{"mill", "tap"}
	require.NoError(t, c.create(e))
	update := func(given trial.Experiment, mask ...string) error {
		given.ID = "e"
		return c.Do(func(r trial.Records) error {
			_, err := trial.UpdateExperiment(r, ana, now.AddDate(0, 0, 1), &given, mask, c.etag("e"))
			return err
		})
	}
	c.refused(t, c.Changes, update(trial.Experiment{WaterSourceIDs: []trial.ID{"mill", "sea"}}, "water_source_ids"), trial.ErrInvalid, "no water source sea")
	c.refused(t, c.Changes, update(trial.Experiment{Asks: trial.AsksMordants, Values: []string{"alum", "iron"}}, "asks", "values"), trial.ErrInvalid, "experiment.water_source_ids")
	require.NoError(t, update(trial.Experiment{WaterSourceIDs: []trial.ID{"tap", "rain", "mill"}}, "water_source_ids"))
	require.NoError(t, update(trial.Experiment{Asks: trial.AsksMordants, Values: []string{"iron", "alum"}}, "asks", "values", "water_source_ids"))
	require.NoError(t, update(trial.Experiment{Asks: trial.AsksWaters, WaterSourceIDs: []trial.ID{"tap", "mill"}}, "asks", "values", "water_source_ids"))
	c.mustSubmit(ben, trial.Trial{ID: "t", Sessions: []trial.Session{{ID: "s", ExperimentID: "e"}}})
	for field, given := range map[string]trial.Experiment{
		"water_source_ids": {WaterSourceIDs: []trial.ID{"mill", "tap"}},
		"closing_sessions": {ClosingSessions: 7},
	} {
		c.refused(t, c.Changes, update(given, field), trial.ErrConflict, "only the title can change")
	}
	require.NoError(t, update(trial.Experiment{Title: "well or tap?"}, "title"))
}
