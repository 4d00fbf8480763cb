package retention

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Worked by hand. Two bands: K/S of the substrate .025, of the first dye 4.05 and .0642857, of the second .1333333 and 1.6; with r = .7 and s = .9 that is
// 2.94 and .025 + .7 x .0392857 + .9 x 1.575 = 1.47.
func TestMixByHand(t *testing.T) {
	ks, _ := colorimetry.KS(0.04)
	assert.InDelta(t, 11.52, ks, 1e-12)
	blueFirst, yellowFirst := []float64{.1, .7}, []float64{.6, .2}
	white, c := []float64{.8, .8}, Coefficients{.7, .9}
	got, clamped := Surface{}.Mix(Piece{Substrate: white, First: blueFirst, Second: yellowFirst}, c)
	assert.InDeltaSlice(t, []float64{.129016, .211483}, got, 5e-7)
	assert.Zero(t, clamped)
	got, _ = Surface{}.Mix(Piece{Substrate: white, First: yellowFirst, Second: blueFirst}, c)
	assert.InDeltaSlice(t, []float64{.107071, .245059}, got, 5e-7)
	one, _ := Surface{}.Mix(Piece{Substrate: white, First: blueFirst, Second: yellowFirst}, OrderBlind)
	other, _ := Surface{}.Mix(Piece{Substrate: white, First: yellowFirst, Second: blueFirst}, OrderBlind)
	assert.InDeltaSlice(t, one, other, 1e-15, "r = s = 1 is blind to the order")

	got, clamped = Surface{}.Mix(Piece{Substrate: []float64{.2}, First: []float64{.8}, Second: []float64{.8}}, OrderBlind)
	assert.Equal(t, []float64{1}, got, "less than no absorption is none")
	assert.Equal(t, 1, clamped)
}

// Saunderson's correction by hand: k1 = .04, k2 = .6, R = .5: (.5-.04)/(1-.04-.6 x .5) = .46/.66.
func TestSurface(t *testing.T) {
	s := Surface{.04, .6}
	assert.InDelta(t, .46/.66, s.Inside(.5), 1e-15)
	for r := 0.05; r <= 1; r += 0.05 {
		assert.InDelta(t, r, s.Outside(s.Inside(r)), 1e-14)
		assert.InDelta(t, r, Surface{}.Inside(r), 0)
	}
	assert.Error(t, Surface{K1: math.NaN()}.Validate())
	assert.Error(t, Surface{K2: 0.8}.Validate())
}

// The solution of a random system meets the conditions of Karush, Kuhn and Tucker, which only the least squares under non-negativity do: where a
// coefficient is above 0 the gradient is 0, where it is 0 the gradient is not below 0. The gradient is taken from the rows themselves.
func TestNonNegativeLeastSquares(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 5))
	edges := [3]int{}
	for range 2000 {
		var rows [][3]float64
		var tri triangle
		for range 2 + random.IntN(30) {
			row := [3]float64{random.NormFloat64(), random.NormFloat64(), 2 * random.NormFloat64()}
			rows = append(rows, row)
			tri.add(row)
		}
		got, err := tri.solve()
		require.NoError(t, err)
		var g1, g2, scale float64
		for _, r := range rows {
			e := r[0]*got.Retention + r[1]*got.Uptake - r[2]
			g1, g2, scale = g1+r[0]*e, g2+r[1]*e, scale+math.Abs(r[0]*r[2])+math.Abs(r[1]*r[2])
		}
		for i, x := range []struct{ value, gradient float64 }{{got.Retention, g1}, {got.Uptake, g2}} {
			require.GreaterOrEqual(t, x.value, 0.0)
			if x.value > 0 {
				require.InDelta(t, 0, x.gradient, 1e-10*scale)
			} else {
				require.GreaterOrEqual(t, x.gradient, -1e-10*scale)
				edges[i]++
			}
		}
		if got == (Coefficients{}) {
			edges[2]++
		}
	}
	for i, n := range edges {
		assert.Greater(t, n, 50, "edge %d was reached", i)
	}
}

// A property, no outside check: what trials were made with comes back.
func TestKnownCoefficientsComeBack(t *testing.T) {
	for _, surface := range []Surface{{}, {.04, .6}} {
		m := method(t, surface)
		for _, want := range []Coefficients{{.7, .9}, {.3, 1.1}, {1, .5}, {1.15, .2}} {
			got, err := m.Learn(t.Context(), trials(5, surface, want, 0), nil)
			require.NoError(t, err)
			assert.InDelta(t, want.Retention, got.Retention, 1e-9)
			assert.InDelta(t, want.Uptake, got.Uptake, 1e-9)
			assert.Equal(t, Fitted, got.Standing)
			assert.Less(t, got.MeanDE00, 1e-6)
			assert.True(t, got.Separable)
			assert.Nil(t, got.Radius, "5 trials have no radius")
		}
	}
}

func TestNoiseGivesARadius(t *testing.T) {
	m := method(t, Surface{})
	got, err := m.Learn(t.Context(), trials(12, Surface{}, Coefficients{.6, .8}, 0.03), nil)
	require.NoError(t, err)
	require.Equal(t, Fitted, got.Standing)
	assert.InDelta(t, .6, got.Retention, .06)
	assert.InDelta(t, .8, got.Uptake, .06)
	require.NotNil(t, got.Radius)
	largest := 0.0
	for _, e := range got.Left {
		largest = max(largest, e.MaxDE00)
	}
	assert.LessOrEqual(t, *got.Radius, largest)
	assert.Greater(t, *got.Radius, got.MeanDE00)

	eight, err := m.Learn(t.Context(), trials(8, Surface{}, Coefficients{.6, .8}, 0.03), nil)
	require.NoError(t, err)
	assert.Equal(t, Fitted, eight.Standing)
	assert.Nil(t, eight.Radius)
}

// The rank of Lei et al. (2018), section 2.2, by hand.
func TestRadiusRank(t *testing.T) {
	sized := func(n int) []float64 {
		out := make([]float64, n)
		for i := range out {
			out[i] = float64(n - i)
		}
		return out
	}
	for _, c := range []struct {
		n     int
		share float64
		want  float64 // 0: none
	}{{8, .9, 0}, {9, .9, 9}, {18, .9, 18}, {19, .9, 18}, {20, .9, 19}, {18, .95, 0}, {19, .95, 19}, {39, .95, 38}, {5, .5, 0}, {9, .5, 5}} {
		got := radius(sized(c.n), c.n, c.share)
		if c.want == 0 {
			assert.Nil(t, got, "%v", c)
			continue
		}
		require.NotNil(t, got, "%v", c)
		assert.Equal(t, c.want, *got, "%v", c)
	}
	for share, trials := range map[float64]int{.5: 9, .9: 9, .95: 19, .99: 99} {
		assert.Equal(t, trials, RadiusTrials(share), "%v", share)
	}
	// Of exchangeable errors the next is within the radius at least as often as was asked for.
	random := rand.New(rand.NewPCG(7, 7))
	within := 0
	const draws = 20_000
	for range draws {
		seen := make([]float64, 12)
		for i := range seen {
			seen[i] = random.ExpFloat64()
		}
		if random.ExpFloat64() <= *radius(seen, len(seen), .9) {
			within++
		}
	}
	// 12 of 13 = .923; three standard deviations are .0056.
	assert.InDelta(t, 12.0/13, float64(within)/draws, .0056)
}

// Greys by hand: of R0 = .8, R1 = .4 and R2 = .2 the product is .1, the geometric mean .2828427, and L* of a grey is 116 R^(1/3) - 16.
func TestRulesByHand(t *testing.T) {
	m := method(t, Surface{})
	flat := func(r float64) []float64 { return slices.Repeat([]float64{r}, bands) }
	p := Piece{Substrate: flat(.8), First: flat(.4), Second: flat(.2)}
	lightness := func(r float64) float64 { return 116*math.Cbrt(r) - 16 }
	// K/S .025, .45, 1.6: together 2.025.
	for rule, want := range map[Rule]float64{
		RuleProduct: lightness(.1), RuleGeometricMean: lightness(math.Sqrt(.08)), RuleLastDye: lightness(.2), RuleLabMean: (lightness(.4) + lightness(.2)) / 2,
		RuleAdditive: lightness(1 + 2.025 - math.Sqrt(2.025*2.025+2*2.025)),
	} {
		got, err := m.guess(rule, p)
		require.NoError(t, err)
		assert.InDelta(t, want, got.L, 1e-6, rule)
	}
	assert.Len(t, Rules(), 5)
}

func TestWhatIsNotPublished(t *testing.T) {
	m := method(t, Surface{})
	learn := func(trials, related []Trial) *Model {
		got, err := m.Learn(t.Context(), trials, related)
		require.NoError(t, err)
		return got
	}
	// The second dye hides the first: the rule that says so is as good.
	got := learn(trials(6, Surface{}, Coefficients{0, 1}, 0), nil)
	assert.Equal(t, NoBetter, got.Standing)
	assert.Equal(t, RuleLastDye, got.Best().Rule)
	assert.Nil(t, got.Radius)
	assert.False(t, got.Standing.Published())

	// Both dyes add up: the model with r = s = 1 is as good.
	got = learn(trials(6, Surface{}, OrderBlind, 0), nil)
	assert.Equal(t, NoBetter, got.Standing)
	assert.Equal(t, RuleAdditive, got.Best().Rule)

	// More of the first colour than was there.
	got = learn(trials(6, Surface{}, Coefficients{1.4, .7}, 0), nil)
	assert.Equal(t, DoesNotFollow, got.Standing)
	assert.Greater(t, got.Retention, MaxRetention)

	// A third band that neither dye has.
	sad := trials(6, Surface{}, Coefficients{.8, .8}, 0)
	for i := range sad {
		sad[i].Pieces[0].Both = cloth(Surface{}, .5, yellow(), .7, blue(), .6*float64(1+i%3), dye(520, 60, 4))
	}
	got = learn(sad, nil)
	assert.Equal(t, DoesNotFollow, got.Standing)
	assert.Greater(t, got.MeanDE00, MaxErrorDE00)

	for n := range LeastTrials {
		got = learn(trials(n, Surface{}, Coefficients{.5, .9}, 0), nil)
		assert.Equal(t, NotFitted, got.Standing)
		assert.Equal(t, OrderBlind, got.Coefficients)
	}
}

func TestBorrowed(t *testing.T) {
	m := method(t, Surface{})
	related := trials(7, Surface{}, Coefficients{.9, .5}, 0)
	got, err := m.Learn(t.Context(), trials(3, Surface{}, Coefficients{.6, .7}, 0), related)
	require.NoError(t, err)
	assert.Equal(t, Borrowed, got.Standing)
	require.NotNil(t, got.Toward)
	assert.InDelta(t, .9, got.Toward.Retention, 1e-9)
	assert.InDelta(t, .5, got.Toward.Uptake, 1e-9)
	// Drawn, and not far.
	assert.True(t, got.Retention > .6 && got.Retention < .65, "%v", got.Retention)
	assert.True(t, got.Uptake < .7 && got.Uptake > .65, "%v", got.Uptake)
	assert.Nil(t, got.Radius)

	// With ridge the solution is that of the normal equations, solved by Cramer's rule: an independent way, exact enough here.
	var a11, a12, a22, b1, b2 float64
	for _, tr := range trials(3, Surface{}, Coefficients{.6, .7}, 0) {
		p := tr.Pieces[0]
		for i := range bands {
			k := func(r float64) float64 { return (1 - r) * (1 - r) / (2 * r) }
			w := 2 * p.Both[i] * p.Both[i] / (1 - p.Both[i]*p.Both[i])
			x, y, z := w*(k(p.First[i])-k(p.Substrate[i])), w*(k(p.Second[i])-k(p.Substrate[i])), w*(k(p.Both[i])-k(p.Substrate[i]))
			a11, a12, a22, b1, b2 = a11+x*x, a12+x*y, a22+y*y, b1+x*z, b2+y*z
		}
	}
	tau := 0.05 * (a11 + a22) / 2
	a11, a22, b1, b2 = a11+tau, a22+tau, b1+tau*.9, b2+tau*.5
	det := a11*a22 - a12*a12
	assert.InDelta(t, (b1*a22-b2*a12)/det, got.Retention, 1e-9)
	assert.InDelta(t, (a11*b2-a12*b1)/det, got.Uptake, 1e-9)

	// What others lend may be what doesn't fit: of one trial that is no reason to say that its pair doesn't follow the model, of four it is.
	strange := trials(4, Surface{}, Coefficients{1.6, .2}, 0)
	for n, want := range map[int]Standing{1: NotFitted, 3: NotFitted, 4: DoesNotFollow} {
		got, err := m.Learn(t.Context(), strange[:n], related)
		require.NoError(t, err)
		assert.Equal(t, want, got.Standing, "%d trials", n)
		if want == NotFitted {
			assert.Equal(t, OrderBlind, got.Coefficients)
			assert.Nil(t, got.Toward)
			assert.Empty(t, got.Left)
			assert.NotEmpty(t, got.Rules)
		}
	}

	one, err := m.Learn(t.Context(), trials(1, Surface{}, Coefficients{.9, .5}, 0), related)
	require.NoError(t, err)
	assert.Equal(t, Borrowed, one.Standing, "the one trial, left out, is predicted by the related ones")
	none, err := m.Learn(t.Context(), nil, related)
	require.NoError(t, err)
	assert.Equal(t, NotFitted, none.Standing)
	assert.Nil(t, none.Toward)
	enough, err := m.Learn(t.Context(), trials(4, Surface{}, Coefficients{.6, .7}, 0), related)
	require.NoError(t, err)
	assert.InDelta(t, .6, enough.Retention, 1e-9, "4 trials stand by themselves")
	assert.Nil(t, enough.Toward)
}

func TestSingular(t *testing.T) {
	m := method(t, Surface{})
	same := func(first, second []float64) []Trial {
		out := trials(5, Surface{}, Coefficients{.6, .7}, 0)
		for i := range out {
			d := 0.5 + 0.2*float64(i)
			out[i].Pieces[0].First, out[i].Pieces[0].Second = cloth(Surface{}, d, first), cloth(Surface{}, 2*d, second)
			out[i].Pieces[0].Both = cloth(Surface{}, .8*d, first, 1.6*d, second)
		}
		return out
	}
	got, err := m.Learn(t.Context(), same(blue(), blue()), nil)
	require.NoError(t, err)
	assert.Equal(t, NoFit, got.Standing)
	require.ErrorIs(t, got.Fault, ErrCollinear)
	got, err = m.Learn(t.Context(), same(blue(), make([]float64, bands)), nil)
	require.NoError(t, err)
	require.ErrorIs(t, got.Fault, ErrNoEffect)

	// Nearly the same shape: only the sum can be told, and predictions still stand.
	got, err = m.Learn(t.Context(), same(blue(), dye(625, 60, 5)), nil)
	require.NoError(t, err)
	assert.False(t, got.Separable)
	assert.Greater(t, got.Cosine, CosineLimit)
	assert.Less(t, got.MeanDE00, .5)
}

func TestOrderAndReplicatesDoNotMatter(t *testing.T) {
	m := method(t, Surface{})
	made := trials(10, Surface{}, Coefficients{.6, .8}, 0.02)
	for i := range made { // several pieces each, of their own noise
		made[i].Pieces = append(made[i].Pieces, trials(10, Surface{}, Coefficients{.62, .8}, 0.01)[i].Pieces...)
	}
	want, err := m.Learn(t.Context(), made, nil)
	require.NoError(t, err)
	turned := slices.Clone(made)
	slices.Reverse(turned)
	for i := range turned {
		turned[i].Pieces = slices.Clone(turned[i].Pieces)
		slices.Reverse(turned[i].Pieces)
	}
	got, err := m.Learn(t.Context(), turned, nil)
	require.NoError(t, err)
	assert.Equal(t, want, got, "to the last bit")
	for i := range turned {
		turned[i].Pieces = append(turned[i].Pieces, turned[i].Pieces...)
	}
	got, err = m.Learn(t.Context(), turned, nil)
	require.NoError(t, err)
	assert.InDelta(t, want.Retention, got.Retention, 1e-12)
	assert.InDelta(t, want.MeanDE00, got.MeanDE00, 1e-12)
	assert.InDelta(t, *want.Radius, *got.Radius, 1e-12)
}

func TestRefusals(t *testing.T) {
	m := method(t, Surface{})
	for name, spoil := range map[string]func(*Piece){
		"trials[2].pieces[0].first[3] is NaN":             func(p *Piece) { p.First[3] = math.NaN() },
		"trials[2].pieces[0].both[0] is -0.1":             func(p *Piece) { p.Both[0] = -.1 },
		"trials[2].pieces[0].second[30] is +Inf":          func(p *Piece) { p.Second[30] = math.Inf(1) },
		"trials[2].pieces[0].substrate[1] is 2.1":         func(p *Piece) { p.Substrate[1] = 2.1 },
		"trials[2].pieces[0].both is 30 figures":          func(p *Piece) { p.Both = p.Both[1:] },
		"trials[2].pieces[0].first is 0 figures, allowed": func(p *Piece) { p.First = nil },
	} {
		made := trials(5, Surface{}, Coefficients{.6, .8}, 0)
		spoil(&made[2].Pieces[0])
		_, err := m.Learn(t.Context(), made, nil)
		var field *colorimetry.FieldError
		require.ErrorAs(t, err, &field, name)
		assert.Contains(t, err.Error(), name)
		_, err = m.Learn(t.Context(), nil, made)
		require.ErrorAs(t, err, &field)
	}
	twice := trials(5, Surface{}, Coefficients{.6, .8}, 0)
	twice[1].ID = twice[3].ID
	_, err := m.Learn(t.Context(), twice, nil)
	require.ErrorContains(t, err, "twice")
	_, err = m.Learn(t.Context(), []Trial{{ID: "x"}}, nil)
	require.ErrorContains(t, err, "trials[0].pieces is empty")
	_, err = m.Predict(Piece{Substrate: []float64{1}}, OrderBlind)
	require.ErrorContains(t, err, "substrate is 1 figures")
	_, err = New(nil, Surface{}, math.NaN())
	require.ErrorContains(t, err, "radius_share is NaN")

	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = m.Learn(ctx, trials(5, Surface{}, Coefficients{.6, .8}, 0), nil)
	assert.True(t, errors.Is(err, context.Canceled))
}

// Black, white and fluorescing cloth, whatever they are mixed of, give figures.
func TestExtremesGiveFigures(t *testing.T) {
	m := method(t, Surface{})
	random := rand.New(rand.NewPCG(2, 2))
	levels := []float64{0, 1e-300, .005, .5, .995, 1, 1.2, 2}
	curve := func() []float64 {
		out := make([]float64, bands)
		for i := range out {
			out[i] = levels[random.IntN(len(levels))]
		}
		return out
	}
	for range 300 {
		made := make([]Trial, 1+random.IntN(10))
		for i := range made {
			made[i] = Trial{ID: string(rune('a' + i)), Pieces: []Piece{{curve(), curve(), curve(), curve()}}}
		}
		got, err := m.Learn(t.Context(), made, made)
		require.NoError(t, err)
		require.False(t, math.IsNaN(got.Retention+got.Uptake+got.MeanDE00+got.Cosine) || math.IsInf(got.Retention+got.Uptake+got.MeanDE00, 0))
		p, err := m.Predict(made[0].Pieces[0], got.Coefficients)
		require.NoError(t, err)
		require.False(t, math.IsNaN(p.Lab.L+p.Lab.A+p.Lab.B))
	}
}

// Of a radius of 90 %, from 10 simulated trials, the next trial is within in 90 % of runs at least: the errors of trials that were left out are a little larger than
// those of the whole fit. With a radius of 10 trials 10 of 11 = .909 would be exact were the errors exchangeable.
func TestRadiusHoldsTheNextTrial(t *testing.T) {
	m := method(t, Surface{})
	random := rand.New(rand.NewPCG(11, 13))
	const runs = 600
	within, published := 0, 0
	for range runs {
		made := make([]Trial, 11)
		for i := range made {
			made[i] = trial(i, Surface{}, Coefficients{.6, .8}, 0.03, random)
		}
		random.Shuffle(len(made), func(i, j int) { made[i], made[j] = made[j], made[i] })
		next, made := made[10], made[:10]
		model, err := m.Learn(t.Context(), made, nil)
		require.NoError(t, err)
		if model.Radius == nil {
			continue
		}
		published++
		e, err := m.errorsOf(next, func(p Piece) (colorimetry.Lab, error) {
			predicted, err := m.Predict(p, model.Coefficients)
			return predicted.Lab, err
		})
		require.NoError(t, err)
		if e.MaxDE00 <= *model.Radius {
			within++
		}
	}
	t.Logf("%d of %d runs published a radius; the next trial was within in %.3f", published, runs, float64(within)/float64(published))
	require.Greater(t, published, runs*9/10)
	// Three standard deviations of a share of .909 over 540 runs are .037.
	assert.Greater(t, float64(within)/float64(published), .909-.037)
}
