package e2e_test

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// An experiment on waters comes into another core with its waters: another member's under the id that it has there.
func TestRestoreOfAnExperimentOnWaters(t *testing.T) {
	here := newLab(t, "ash:coordinator", "birch")
	here.start()
	ash, birch := here.caller(t, "ash"), here.caller(t, "birch")
	mine, theirs, id := newID(t), newID(t), newID(t)
	for c, water := range map[*caller]string{ash: mine, birch: theirs} {
		_, err := c.waters.CreateWaterSource(c.ctx, &labv1.CreateWaterSourceRequest{RequestId: newID(t), WaterSource: &labv1.WaterSource{Id: water, Name: water[len(water)-4:] + " well (invented)"}})
		require.NoError(t, err)
	}
	_, err := ash.plans.CreateExperiment(ash.ctx, &labv1.CreateExperimentRequest{RequestId: newID(t), Experiment: &labv1.Experiment{
		Id: id, Title: "Whose well (invented)", Asks: labv1.ExperimentAsks_EXPERIMENT_ASKS_WATERS, WaterSourceIds: []string{theirs, mine}, ToleranceDe00: 2, ClosingSessions: 6,
		Instrument: "invented meter", Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}}})
	require.NoError(t, err)
	folder := filepath.Join(t.TempDir(), "all")
	here.does("ash", "export", folder)
	here.stop()

	there := newLab(t, "ash:coordinator")
	there.start()
	defer there.stop()
	assert.Contains(t, there.does("ash", "export", "restore", folder), "3 added")
	now := there.caller(t, "ash")
	got, err := now.plans.GetExperiment(now.ctx, &labv1.GetExperimentRequest{ExperimentId: id})
	require.NoError(t, err)
	assert.Equal(t, labv1.ExperimentAsks_EXPERIMENT_ASKS_WATERS, got.GetAsks())
	require.Len(t, got.GetWaterSourceIds(), 2)
	assert.Equal(t, mine, got.GetWaterSourceIds()[1])
	assert.NotEqual(t, theirs, got.GetWaterSourceIds()[0], "it was birch's")
	water, err := now.waters.GetWaterSource(now.ctx, &labv1.GetWaterSourceRequest{WaterSourceId: got.GetWaterSourceIds()[0]})
	require.NoError(t, err)
	assert.Contains(t, water.GetName(), "birch's")
	assert.Contains(t, there.does("ash", "export", "restore", folder), "0 added, 0 completed", "the same again changes nothing")
}
