package retention

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// several are trials of one to four pieces each, some of them far off.
func several(n int) []Trial {
	random := rand.New(rand.NewPCG(3, uint64(n)))
	out := make([]Trial, n)
	for i := range out {
		out[i] = trial(i, Surface{}, Coefficients{.6, .8}, 0.02, random)
		for range i % 4 {
			more := trial(i+1, Surface{}, Coefficients{.6, .8}, 0.02, random)
			out[i].Pieces = append(out[i].Pieces, more.Pieces...)
		}
	}
	out[3].Pieces[2].Both = cloth(Surface{}, .5, yellow(), 1., blue())
	return out
}

// What is told of a trial that was left out is what a model of the others says of each of its pieces, all of which it has never seen: its mean, and its worst, of
// which the radius is one.
func TestLeftOutIsWhatTheOthersSay(t *testing.T) {
	m := method(t, Surface{})
	for _, n := range []int{5, 10, 21} {
		all := several(n)
		model, err := m.Learn(t.Context(), all, nil)
		require.NoError(t, err)
		require.Equal(t, Fitted, model.Standing)
		require.Len(t, model.Left, n)
		var largest []float64
		mean := 0.0
		for i, left := range model.Left {
			others, err := m.Learn(t.Context(), slices.Delete(slices.Clone(all), i, i+1), nil)
			require.NoError(t, err)
			assert.NotEqual(t, model.Coefficients, others.Coefficients, "the trial has a part in the fit")
			sum, worst := 0.0, 0.0
			for _, p := range all[i].Pieces {
				measured := p.Both
				p.Both = nil
				predicted, err := m.Predict(p, others.Coefficients)
				require.NoError(t, err)
				lab, err := m.weights.Lab(measured)
				require.NoError(t, err)
				d := colorimetry.CIEDE2000(lab, predicted.Lab, colorimetry.DefaultFactors)
				sum, worst = sum+d, max(worst, d)
			}
			require.Equal(t, all[i].ID, left.ID)
			assert.InDelta(t, sum/float64(len(all[i].Pieces)), left.MeanDE00, 1e-9)
			assert.InDelta(t, worst, left.MaxDE00, 1e-9)
			largest, mean = append(largest, worst), mean+left.MeanDE00/float64(n)
		}
		assert.InDelta(t, mean, model.MeanDE00, 1e-9, "each trial once")
		slices.Sort(largest)
		if rank, ok := map[int]int{10: 10, 21: 20}[n]; ok { // the ceil(0.9 (n+1))-th
			require.NotNil(t, model.Radius)
			assert.InDelta(t, largest[rank-1], *model.Radius, 1e-9, "of the worst piece of each trial")
		} else {
			assert.Nil(t, model.Radius)
		}
	}
}

// However many pieces one trial has, it has one vote in the fit: thirty pieces out of one pot are one accident.
func TestManyPiecesAreOneTrial(t *testing.T) {
	m := method(t, Surface{})
	all := several(8)
	all[3].Pieces = all[3].Pieces[2:3] // the one that is far off
	once, err := m.Learn(t.Context(), all, nil)
	require.NoError(t, err)
	for range 29 {
		all[3].Pieces = append(all[3].Pieces, all[3].Pieces[0])
	}
	often, err := m.Learn(t.Context(), all, nil)
	require.NoError(t, err)
	assert.InDelta(t, once.Retention, often.Retention, 1e-9)
	assert.InDelta(t, once.Uptake, often.Uptake, 1e-9)
	assert.InDelta(t, once.MeanDE00, often.MeanDE00, 1e-9)
	assert.Equal(t, once.Pieces+29, often.Pieces)
	for i, r := range once.Rules {
		assert.InDelta(t, r.MeanDE00, often.Rules[i].MeanDE00, 1e-9, fmt.Sprint(r.Rule))
	}
}

// The second radius is of trials that are left out and have plain pieces of other trials in place of their own; of nine trials those of each of the other eight.
func TestRadiusOfAnyBath(t *testing.T) {
	m := method(t, Surface{})
	all := several(9)
	model, err := m.Learn(t.Context(), all, nil)
	require.NoError(t, err)
	require.NotNil(t, model.AnyBathRadius)
	var largest []float64
	for i := range all {
		others := slices.Delete(slices.Clone(all), i, i+1)
		fitted, err := m.Learn(t.Context(), others, nil)
		require.NoError(t, err)
		for _, o := range others {
			// Pieces of a trial come sorted by their curves.
			lent := slices.MinFunc(o.Pieces, func(a, b Piece) int { return slices.Compare(a.Both, b.Both) })
			worst := 0.0
			for _, p := range all[i].Pieces {
				p.Second = lent.Second
				predicted, err := m.Predict(p, fitted.Coefficients)
				require.NoError(t, err)
				lab, err := m.weights.Lab(p.Both)
				require.NoError(t, err)
				worst = max(worst, colorimetry.CIEDE2000(lab, predicted.Lab, colorimetry.DefaultFactors))
			}
			largest = append(largest, worst)
		}
	}
	require.Len(t, largest, 72)
	assert.InDelta(t, slices.Max(largest), *model.AnyBathRadius, 1e-9, "0.9 x 10 x 8 is the 72nd of 72")

	// A share that is above 0.9 by so little that it counts as 0.9 does so for both radii.
	for _, share := range []float64{.9, .9 + 5e-11, .9 + 9e-11} {
		m, err := New(m.weights, Surface{}, share)
		require.NoError(t, err)
		model, err := m.Learn(t.Context(), all, nil)
		require.NoError(t, err)
		require.NotNil(t, model.Radius, "%v", share)
		require.NotNil(t, model.AnyBathRadius, "%v", share)
		assert.InDelta(t, slices.Max(largest), *model.AnyBathRadius, 1e-9)
	}

	// Where second baths are all of one strength the two radii are one.
	alike := make([]Trial, 12)
	random := rand.New(rand.NewPCG(4, 5))
	for i := range alike {
		alike[i] = trial(4*i, Surface{}, Coefficients{.6, .8}, 0.02, random)
	}
	model, err = m.Learn(t.Context(), alike, nil)
	require.NoError(t, err)
	assert.InDelta(t, *model.Radius, *model.AnyBathRadius, 1e-9)
}

// Second baths whose strength varies by a tenth: with the plain piece of another bath the first radius holds far too few of the pieces that come next, the
// second at least as many as were promised.
func TestRadiusHoldsAnyBath(t *testing.T) {
	m := method(t, Surface{})
	random := rand.New(rand.NewPCG(1, 2))
	next := func(i int) Trial {
		first, second := 0.8*math.Exp(.1*random.NormFloat64()), 1.1*math.Exp(.1*random.NormFloat64())
		r, s := .6+.05*random.NormFloat64(), .8+.05*random.NormFloat64()
		return Trial{ID: fmt.Sprintf("trial %02d", i), Pieces: []Piece{{
			Substrate: cloth(Surface{}), First: cloth(Surface{}, first, yellow()), Second: cloth(Surface{}, second, blue()),
			Both: cloth(Surface{}, r*first, yellow(), s*second, blue()),
		}}}
	}
	const runs = 400
	published, one, other := 0, 0, 0
	for range runs {
		made := make([]Trial, 12)
		for i := range made {
			made[i] = next(i)
		}
		p := next(99).Pieces[0]
		model, err := m.Learn(t.Context(), made, nil)
		require.NoError(t, err)
		if model.Radius == nil {
			continue
		}
		published++
		p.Second = made[random.IntN(len(made))].Pieces[0].Second
		predicted, err := m.Predict(p, model.Coefficients)
		require.NoError(t, err)
		lab, err := m.weights.Lab(p.Both)
		require.NoError(t, err)
		d := colorimetry.CIEDE2000(lab, predicted.Lab, colorimetry.DefaultFactors)
		if d <= *model.Radius {
			one++
		}
		if d <= *model.AnyBathRadius {
			other++
		}
	}
	held := func(n int) float64 { return float64(n) / float64(published) }
	t.Logf("%d of %d runs published radii; with the plain piece of another bath the first held %.3f, the second %.3f", published, runs, held(one), held(other))
	require.Greater(t, published, runs*9/10)
	// Three standard deviations of a share of .9 over 360 runs are .047.
	assert.Greater(t, held(other), .9-.047)
	assert.Less(t, held(one), .8)
}
