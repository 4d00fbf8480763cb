package e2e_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// kitchen makes up sessions in which pieces of the same pot share its accidents. All of it is invented.
type kitchen struct {
	*caller
	rng *rand.Rand
}

// arm is what a session's pots are of: a water, a mordant.
type arm struct {
	water, mordant string
	effect         float64 // on L*
}

// session dyes two lots of wool with each dye for each arm, in pots of their own, and reads them; pots differ by potNoise, pieces by pieceNoise.
func (k *kitchen) session(t *testing.T, experiment string, dyes []string, arms []arm) {
	const potNoise, pieceNoise = 0.8, 0.4
	session := newID(t)
	submit := &labv1.SubmitTrialRequest{RequestId: newID(t), Trial: &labv1.Trial{
		Id: newID(t), Title: "One session (invented)", Sharing: &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_COOPERATIVE},
		Sessions: []*labv1.Session{{Id: session, ExperimentId: experiment}},
	}}
	bath := func(purpose labv1.BathPurpose, role labv1.AdditionRole, material, water string) string {
		b := &labv1.Bath{Id: newID(t), Label: material, Purposes: []labv1.BathPurpose{purpose},
			Additions: []*labv1.Addition{{Id: newID(t), Material: material, Role: role, Amount: grams(3)}}}
		if water != "" {
			b.WaterParts = []*labv1.WaterPart{{WaterSourceId: water, Parts: 1}}
		}
		submit.Baths = append(submit.Baths, b)
		return b.GetId()
	}
	for _, a := range arms {
		mordant := ""
		if a.mordant != "" {
			mordant = bath(labv1.BathPurpose_BATH_PURPOSE_MORDANT, labv1.AdditionRole_ADDITION_ROLE_MORDANT, a.mordant, "")
		}
		accident := potNoise * k.rng.NormFloat64()
		for i, dye := range dyes {
			pot := bath(labv1.BathPurpose_BATH_PURPOSE_DYE, labv1.AdditionRole_ADDITION_ROLE_DYE, dye, a.water)
			for j, lot := range []string{"1 (invented)", "2 (invented)"} {
				p := &labv1.Piece{Id: newID(t), Label: fmt.Sprint(dye, lot, len(submit.Trial.Pieces)), SessionId: session, Mass: grams(5),
					Fibre: &typesv1.Fibre{Composition: []*typesv1.FibrePart{{Fibre: "wool", Percent: 100}}, Lot: lot}}
				submit.Trial.Pieces = append(submit.Trial.Pieces, p)
				position := int32(1)
				for _, b := range []string{mordant, pot} {
					if b != "" {
						submit.Trial.Immersions = append(submit.Trial.Immersions, &labv1.Immersion{Id: newID(t), PieceId: p.GetId(), BathId: b, Position: position, IntendedDepth: labv1.Depth_DEPTH_MEDIUM})
						position++
					}
				}
				r := labReading(t, p.GetId(), nil)
				r.AgeDays = proto.Int32(9)
				r.Raw.GetLab().L = 40 + 6*float64(i) + 2*float64(j) + a.effect + accident + pieceNoise*k.rng.NormFloat64()
				r.Raw.GetLab().A = 10*float64(i) + pieceNoise*k.rng.NormFloat64()
				submit.Trial.Readings = append(submit.Trial.Readings, r)
			}
		}
	}
	_, err := k.trials.SubmitTrial(k.ctx, submit)
	require.NoError(t, err)
}

// verdictAnswer is what the tests look at of an answer.
type verdictAnswer struct {
	Headline, Standing string
	CannotTell         []string `json:"cannot_tell"`
	Waters             *struct {
		Standing, Statement, Reference, Outlook string
		P                                       *float64
		Missing                                 []string
		Sessions, Recipes                       int
		Waters                                  []struct {
			Water    string
			MeanDE00 *float64 `json:"mean_de00"`
		}
	}
	Apart *struct {
		Standing, Statement, Outlook string
		SpreadStanding               string `json:"spread_standing"`
		Missing                      []string
		Place, Spread                *struct{ P *float64 }
		Pairs                        []struct {
			First, Second string
			DE00          *float64 `json:"de00"`
			Place         *struct {
				PAdjusted *float64 `json:"p_adjusted"`
			}
		}
	}
}

func (l *lab) verdict(t *testing.T, experiment string) (out verdictAnswer) {
	t.Helper()
	text := l.asks("ash", "palette", "--experiment", experiment, "--output", "json")
	require.NoError(t, json.Unmarshal([]byte(text), &out), text)
	return out
}

// Simulated sessions go in over the interface; the verdict comes from the module by its experiment, and from nothing else.
func TestVerdictsOnWatersAndMordants(t *testing.T) {
	l := newLab(t, "ash", "birch", "coco:coordinator")
	l.installModules()
	l.start()
	defer l.stop()
	coco := l.caller(t, "coco")
	var waters []string
	for i, name := range []string{"Mill well (invented)", "Town tap (invented)"} {
		id := newID(t)
		_, err := coco.waters.CreateWaterSource(coco.ctx, &labv1.CreateWaterSourceRequest{RequestId: newID(t), WaterSource: &labv1.WaterSource{
			Id: id, Name: name, Samples: []*labv1.WaterSample{{Id: newID(t), HardnessMgPerL: proto.Float64(100 + 200*float64(i))}}}})
		require.NoError(t, err)
		waters = append(waters, id)
	}
	plan := func(asks labv1.ExperimentAsks, sources, values []string) string {
		t.Helper()
		id := newID(t)
		_, err := coco.plans.CreateExperiment(coco.ctx, &labv1.CreateExperimentRequest{RequestId: newID(t), Experiment: &labv1.Experiment{
			Id: id, Title: "A question (invented)", Asks: asks, WaterSourceIds: sources, Values: values, ToleranceDe00: 2, ClosingSessions: 6, Instrument: "invented meter",
			Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}}})
		require.NoError(t, err)
		return id
	}
	kitchens := []*kitchen{{l.caller(t, "ash"), rand.New(rand.NewPCG(1, 1))}, {l.caller(t, "birch"), rand.New(rand.NewPCG(1, 2))}}
	three := []string{"weld", "madder", "cutch"}

	t.Run("waters that differ", func(t *testing.T) {
		id := plan(labv1.ExperimentAsks_EXPERIMENT_ASKS_WATERS, waters, nil)
		arms := []arm{{water: waters[0]}, {water: waters[1], effect: 4}}
		for s := range 5 {
			kitchens[s%2].session(t, id, three, arms)
		}
		got := l.verdict(t, id)
		assert.Equal(t, "STANDING_NOT_ENOUGH_YET", got.Standing)
		assert.Equal(t, []string{"1 more session with pieces in Mill well (invented) and Town tap (invented) that are otherwise alike"}, got.Waters.Missing)
		assert.Empty(t, l.runTwice("coco", id, "water").Results[0].Tests, "nothing is tested before the closing size")
		assert.Nil(t, got.Waters.P)
		assert.Contains(t, got.Waters.Outlook, "judged by the noise within 5 sessions or members")
		kitchens[1].session(t, id, three, arms)
		got = l.verdict(t, id)
		require.NotNil(t, got.Waters.P, got.Headline)
		// Six sessions whose two waters are exchanged: 64 arrangements, of which this and its mirror are the farthest.
		assert.InDelta(t, 2.0/64, *got.Waters.P, 1e-12)
		assert.Equal(t, "STANDING_VERDICT", got.Standing, got.Headline)
		assert.Equal(t, 6, got.Waters.Recipes)
		assert.Equal(t, "Mill well (invented)", got.Waters.Reference)
		assert.Contains(t, got.Headline, "the waters give different colours (p = 0.031, 6 sessions)")
		// A seventh session comes too late to change anything, whatever it shows.
		kitchens[0].session(t, id, three, []arm{{water: waters[0], effect: 40}, {water: waters[1]}})
		later := l.verdict(t, id)
		assert.Equal(t, got.Headline, later.Headline)
		assert.Contains(t, strings.Join(later.CannotTell, "\n"), "1 session came after those of the verdict")
		// By width the same six sessions are swapped in 63 further arrangements; one water only moves colours, which no width tells.
		run := l.runTwice("coco", id, "water")
		assert.Equal(t, 6, run.Columns.Sessions)
		assert.Equal(t, 2, run.Columns.Strata, "two yarns")
		seen := false
		for _, test := range run.Results[0].Tests {
			if test.Score == "dispersion" {
				seen = true
				require.NotNil(t, test.P)
				assert.Equal(t, 63, test.Arrangements)
				assert.Equal(t, []string{"Mill well (invented)", "Town tap (invented)"}, []string{test.First, test.Second})
				assert.Equal(t, "STANDING_NO_ANSWER_AT_THIS_SIZE", test.Standing)
			}
		}
		assert.True(t, seen)

		// Nothing but the experiment gets a p.
		text := l.asks("ash", "palette", "--by", "water", "--where", `experiment = "`+id+`"`, "--output", "json")
		var free verdictAnswer
		require.NoError(t, json.Unmarshal([]byte(text), &free))
		assert.Equal(t, "STANDING_EXPLORATORY", free.Waters.Standing)
		assert.Nil(t, free.Waters.P)
		assert.NotContains(t, text, `"p"`)
		for _, more := range [][]string{{"--where", `fibre = "wool"`}, {"--by", "order"}, {"--by", "mordant"}, {"--seed", "2"}, {"--condition", "A/10"}, {"--threshold", "2"}} {
			a := l.client("ash", append([]string{"palette", "--experiment", id}, more...)...)
			assert.Equal(t, exitInvalid, a.code, more)
			assert.Contains(t, a.errors, "allowed", more)
		}
	})

	t.Run("waters that don't", func(t *testing.T) {
		id := plan(labv1.ExperimentAsks_EXPERIMENT_ASKS_WATERS, waters, nil)
		for s := range 6 {
			kitchens[s%2].session(t, id, three, []arm{{water: waters[0]}, {water: waters[1]}})
		}
		got := l.verdict(t, id)
		require.NotNil(t, got.Waters.P, got.Headline)
		assert.Greater(t, *got.Waters.P, 0.05)
		assert.Equal(t, "STANDING_NO_ANSWER_AT_THIS_SIZE", got.Standing)
		assert.NotEmpty(t, got.Waters.Outlook)
	})

	t.Run("each water by a member of its own", func(t *testing.T) {
		id := plan(labv1.ExperimentAsks_EXPERIMENT_ASKS_WATERS, waters, nil)
		for s := range 8 {
			kitchens[s%2].session(t, id, three, []arm{{water: waters[s%2], effect: 8 * float64(s%2)}})
		}
		got := l.verdict(t, id)
		assert.Equal(t, "STANDING_NOT_ENOUGH_YET", got.Standing)
		assert.Nil(t, got.Waters.P)
		assert.Contains(t, got.Headline, "Water and member can't be told apart")
	})

	t.Run("sessions of one water each, of members who used both", func(t *testing.T) {
		id := plan(labv1.ExperimentAsks_EXPERIMENT_ASKS_WATERS, waters, nil)
		for s := range 12 {
			kitchens[s%2].session(t, id, three, []arm{{water: waters[s/2%2], effect: 4 * float64(s/2%2)}})
		}
		got := l.verdict(t, id)
		require.NotNil(t, got.Waters.P, got.Headline)
		// Each member's three sessions of each water: 20 × 20 arrangements, of which two are the farthest; 9,999 are drawn.
		assert.InDelta(t, 2.0/400, *got.Waters.P, 0.003)
		assert.Equal(t, "STANDING_VERDICT", got.Standing)
		assert.Equal(t, 12, got.Waters.Sessions)
		run := l.runTwice("coco", id, "water")
		assert.Equal(t, 6, run.Columns.Sessions, "two of a member count as one")
		require.NotEmpty(t, run.Results[0].Tests)
		assert.Equal(t, 63, run.Results[0].Tests[0].Arrangements)
	})

	two := []string{"weld", "madder"}
	t.Run("mordants of which one differs", func(t *testing.T) {
		id := plan(labv1.ExperimentAsks_EXPERIMENT_ASKS_MORDANTS, nil, []string{"alum", "iron", "titanium"})
		arms := []arm{{mordant: "alum"}, {mordant: "iron", effect: -9}, {mordant: "titanium"}}
		kitchens[0].session(t, id, two, arms)
		got := l.verdict(t, id)
		assert.Equal(t, []string{"5 more sessions with pieces in at least two of alum, iron and titanium that are otherwise alike"}, got.Apart.Missing)
		assert.Nil(t, got.Apart.Place, "one session leaves no rest")
		for s := range 5 {
			kitchens[s%2].session(t, id, two, arms)
		}
		got = l.verdict(t, id)
		require.NotNil(t, got.Apart.Place, got.Headline)
		require.NotNil(t, got.Apart.Place.P, got.Headline)
		// Iron stands as far from both others in 3 × 2^6 of 6^6 arrangements: 0.004.
		assert.InDelta(t, 3*64/math.Pow(6, 6), *got.Apart.Place.P, 0.002)
		assert.Equal(t, "STANDING_VERDICT", got.Standing)
		require.Len(t, got.Apart.Pairs, 3)
		for _, pair := range got.Apart.Pairs {
			require.NotNil(t, pair.Place.PAdjusted)
			if pair.First == "iron" || pair.Second == "iron" {
				// 2 of 64, which is all that six sessions of two can show.
				assert.InDelta(t, 2.0/64, *pair.Place.PAdjusted, 1e-12)
				assert.Greater(t, *pair.DE00, 5.0)
			} else {
				assert.Greater(t, *pair.Place.PAdjusted, 0.05)
			}
		}
		assert.Equal(t, "STANDING_NO_ANSWER_AT_THIS_SIZE", got.Apart.SpreadStanding, "pots moved all of a session's pieces alike")
		var pairs []string
		for _, test := range l.runTwice("coco", id, "mordant").Results[0].Tests {
			if test.Score == "dispersion" {
				pairs = append(pairs, test.First+"/"+test.Second)
				assert.Equal(t, 63, test.Arrangements)
			}
		}
		assert.Equal(t, []string{"alum/iron", "alum/titanium", "iron/titanium"}, pairs)
	})

	t.Run("mordants that don't", func(t *testing.T) {
		id := plan(labv1.ExperimentAsks_EXPERIMENT_ASKS_MORDANTS, nil, []string{"alum", "iron"})
		for s := range 6 {
			kitchens[s%2].session(t, id, two, []arm{{mordant: "alum"}, {mordant: "iron"}})
		}
		got := l.verdict(t, id)
		require.NotNil(t, got.Apart.Place, got.Headline)
		assert.Greater(t, *got.Apart.Place.P, 0.05)
		assert.Equal(t, "STANDING_NO_ANSWER_AT_THIS_SIZE", got.Standing)
		assert.NotEmpty(t, got.Apart.Outlook)
	})

	t.Run("which of three waters", func(t *testing.T) {
		rain := newID(t)
		_, err := coco.waters.CreateWaterSource(coco.ctx, &labv1.CreateWaterSourceRequest{RequestId: newID(t), WaterSource: &labv1.WaterSource{Id: rain, Name: "Rain (invented)"}})
		require.NoError(t, err)
		id := plan(labv1.ExperimentAsks_EXPERIMENT_ASKS_WATERS, append(slices.Clone(waters), rain), nil)
		for s := range 6 {
			kitchens[s%2].session(t, id, three, []arm{{water: waters[0]}, {water: waters[1]}, {water: rain, effect: 8}})
		}
		text := l.asks("ash", "palette", "--experiment", id)
		assert.Contains(t, text, "told apart by themselves, over all pairs: Mill well (invented) from Rain (invented)")
		assert.Contains(t, text, "and Rain (invented) from Town tap (invented)")
		assert.NotContains(t, text, "Mill well (invented) from Town tap (invented)")
		assert.Contains(t, text, "tested whether the waters give different colours: all 46656 arrangements of whole sessions")
		assert.Contains(t, text, "tests at a level of 0.05")
		shown := l.asks("ash", "experiment", "show", id)
		assert.Contains(t, shown, "Mill well (invented), Town tap (invented), Rain (invented)")
		assert.NotContains(t, shown, rain)
	})
}
