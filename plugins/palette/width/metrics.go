package width

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/commonvat/commonvat/plugins/palette/width/hull"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Pairwise describes the CIEDE2000 differences between all cells. Their mean doesn't grow with the number of cells.
type Pairwise struct {
	MeanDE float64
	MinDE  *float64 // nil when sampled
	Pairs  int      // pairs measured
	// Sampled says that Pairs were drawn at random, as for more than 3,000 cells; SE is then the standard error of MeanDE.
	Sampled bool
	SE      float64
}

// HueCoverage describes the hues of the cells with C*ab ≥ 5.
type HueCoverage struct {
	Chromatic       int     // cells with C*ab ≥ 5
	LargestEmptyArc float64 // degrees, above 0 to 360
	Entropy         float64 // chroma-weighted Shannon entropy over 36 half-open bins of 10°, nats, 0 to ln 36
	EffectiveHues   float64 // e^Entropy, 1 to 36
	Evenness        float64 // Entropy/ln 36, 0 to 1
}

const (
	chromaticFrom = 5.0 // C*ab below which a hue means little
	hueBins       = 36
	allPairsUpTo  = 3000
	sampledPairs  = 200_000
	// Where all groups together have more pairs than measuredPairs, each measures an equal share of askedPairs, drawn at random, but at least
	// leastPairs. A group that has at most allWithin times its share measures all of its pairs.
	measuredPairs = 20_000_000
	askedPairs    = 1_000_000
	leastPairs    = 500
	allWithin     = 4
)

func points(colours []colorimetry.Lab) []hull.Point {
	out := make([]hull.Point, len(colours))
	for i, c := range colours {
		out[i] = hull.Point{c.L, c.A, c.B}
	}
	return out
}

// hullWidth is Hull for checked colours.
func hullWidth(colours []colorimetry.Lab) (HullWidth, error) {
	body, err := hull.Solid(points(colours))
	if err != nil {
		return HullWidth{}, err
	}
	plane := make([][2]float64, len(colours))
	for i, c := range colours {
		plane[i] = [2]float64{c.A, c.B}
	}
	area, _, err := hull.Area(plane)
	return HullWidth{
		Status: body.Status, Volume: body.Volume, Side: math.Cbrt(body.Volume), Vertices: len(body.Vertices),
		Unstable: len(colours) < StableHullCells, AreaAB: area,
	}, err
}

// Dispersion is sqrt(mean ‖x−x̄‖²) in CIELAB units: the root mean square distance from the mean colour. It is false for fewer than two
// colours, and 0 for equal ones. It is too low for few colours, so compare it at equal numbers only.
func Dispersion(colours []colorimetry.Lab) (float64, bool) { return dispersion(colours) }

func dispersion(colours []colorimetry.Lab) (float64, bool) {
	n := float64(len(colours))
	if n < 2 {
		return 0, false
	}
	var mean colorimetry.Lab
	for _, c := range colours {
		mean.L += c.L / n
		mean.A += c.A / n
		mean.B += c.B / n
	}
	ss := 0.0
	for _, c := range colours {
		l, a, b := c.L-mean.L, c.A-mean.A, c.B-mean.B
		ss += float64(l*l) + float64(a*a) + float64(b*b)
	}
	return spread(ss / n), true
}

// equalWithin is the dispersion, in CIELAB units, below which colours count as equal. The rounding of a mean leaves about 1e-9 for a million equal
// colours, and the logarithm of that would pass for a result. No instrument resolves so little.
const equalWithin = 1e-7

// spread is the dispersion for a mean squared distance.
func spread(meanSquare float64) float64 {
	if d := math.Sqrt(meanSquare); d >= equalWithin {
		return d
	}
	return 0
}

func difference(a, b colorimetry.Lab) float64 {
	return colorimetry.CIEDE2000(a, b, colorimetry.DefaultFactors)
}

// pairwise is nil for fewer than two colours, and fails only when ctx ends. sample is the group's share of pairs (see samplePairs), 0 where there is no
// need to share: then all pairs of up to 3,000 colours are measured.
func pairwise(ctx context.Context, colours []colorimetry.Lab, seed uint64, sample int) (*Pairwise, error) {
	n := len(colours)
	if n < 2 {
		return nil, nil
	}
	if sample > 0 && n*(n-1)/2 > allWithin*sample {
		return pairwiseByDistance(ctx, colours, seed, sample)
	}
	if n > allPairsUpTo {
		const drawn = float64(sampledPairs)
		sum, squares := 0.0, 0.0
		err := drawPairs(ctx, n, seed, sampledPairs, func(i, j int) {
			d := difference(colours[i], colours[j])
			sum += d
			squares += d * d
		})
		mean := sum / drawn
		return &Pairwise{MeanDE: mean, Pairs: sampledPairs, Sampled: true, SE: math.Sqrt(max(0, squares/drawn-mean*mean) / (drawn - 1))}, err
	}
	sum, least := 0.0, math.Inf(1)
	for i := range n {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		for j := i + 1; j < n; j++ {
			d := difference(colours[i], colours[j])
			sum += d
			least = min(least, d)
		}
	}
	pairs := n * (n - 1) / 2
	return &Pairwise{MeanDE: sum / float64(pairs), MinDE: &least, Pairs: pairs}, nil
}

// drawPairs visits so many pairs i ≠ j of n, drawn at random with replacement.
func drawPairs(ctx context.Context, n int, seed uint64, pairs int, visit func(i, j int)) error {
	rng := rand.New(rand.NewPCG(seed, 0))
	for k := range pairs {
		if k%4096 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		i, j := rng.IntN(n), rng.IntN(n-1)
		if j >= i {
			j++
		}
		visit(i, j)
	}
	return nil
}

// pairwiseByDistance draws few pairs and corrects their mean difference by their squared distances in CIELAB, whose mean over all pairs of n colours is
// known: 2n/(n−1) times the square of the dispersion. That is a control variate (Ripley 1987, "Stochastic simulation", section 5.3, from memory), with
// the slope of the least squares line. In our generated pools squared distances explain about three quarters of the variance of the differences, so a
// quarter of the pairs gives the same standard error.
func pairwiseByDistance(ctx context.Context, colours []colorimetry.Lab, seed uint64, pairs int) (*Pairwise, error) {
	var d, q, dd, qq, dq float64 // sums of the differences, of what the squared distances are above their mean, and of products
	wide, _ := dispersion(colours)
	n := float64(len(colours))
	all := 2 * n / (n - 1) * wide * wide
	err := drawPairs(ctx, len(colours), seed, pairs, func(i, j int) {
		x, y := colours[i], colours[j]
		l, a, b := x.L-y.L, x.A-y.A, x.B-y.B
		u, v := difference(x, y), l*l+a*a+b*b-all
		d, q, dd, qq, dq = d+u, q+v, dd+u*u, qq+v*v, dq+u*v
	})
	drawn := float64(pairs)
	dd, qq, dq = dd-d*d/drawn, qq-q*q/drawn, dq-d*q/drawn
	slope := 0.0
	if wide > 0 && qq > 0 { // otherwise there is nothing but rounding
		slope = dq / qq
	}
	return &Pairwise{
		MeanDE: max(0, d-slope*q) / drawn, Pairs: pairs, Sampled: true,
		SE: math.Sqrt(max(0, dd-slope*dq) / (drawn * (drawn - 2))),
	}, err
}

// hueCoverage is nil where fewer than two cells have a hue.
func hueCoverage(colours []colorimetry.Lab) *HueCoverage {
	var hues []float64
	var bins [hueBins]float64
	total := 0.0
	for _, c := range colours {
		lch := c.LCh()
		if lch.C < chromaticFrom {
			continue
		}
		hues = append(hues, lch.H)
		bins[min(int(lch.H/(360/hueBins)), hueBins-1)] += lch.C
		total += lch.C
	}
	if len(hues) < 2 {
		return nil
	}
	slices.Sort(hues)
	arc := 360 - hues[len(hues)-1] + hues[0]
	for i := 1; i < len(hues); i++ {
		arc = max(arc, hues[i]-hues[i-1])
	}
	entropy := 0.0
	for _, w := range bins {
		if w > 0 {
			entropy -= w / total * math.Log(w/total)
		}
	}
	return &HueCoverage{
		Chromatic: len(hues), LargestEmptyArc: arc, Entropy: entropy, EffectiveHues: math.Exp(entropy),
		Evenness: entropy / math.Log(hueBins),
	}
}

// spans are the ranges of L* and of C*ab, 0 for no colours.
func spans(colours []colorimetry.Lab) (lightness, chroma float64) {
	if len(colours) == 0 {
		return 0, 0
	}
	first := colours[0].LCh()
	l0, l1, c0, c1 := first.L, first.L, first.C, first.C
	for _, c := range colours[1:] {
		x := c.LCh()
		l0, l1 = min(l0, x.L), max(l1, x.L)
		c0, c1 = min(c0, x.C), max(c1, x.C)
	}
	return l1 - l0, c1 - c0
}

// Hull is the convex hull of colours. It refuses colours out of range with a *colorimetry.FieldError.
func Hull(colours []colorimetry.Lab) (HullWidth, error) {
	if err := checkColours(colours); err != nil {
		return HullWidth{}, err
	}
	return hullWidth(colours)
}
