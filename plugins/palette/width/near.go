package width

import (
	"math"
	"sync"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// spot is a colour prepared for many comparisons: with its chroma C*ab and the sector of its hue.
type spot struct {
	l, a, b, c float64
	sector     int32
}

func spotOf(x colorimetry.Lab) spot {
	makeTables() // whatever reads the tables takes spots, so they are made by then
	c := math.Sqrt(float64(x.A*x.A) + float64(x.B*x.B))
	sector := int32((math.Atan2(x.B, x.A)*180/math.Pi + 180) / sectorDegrees)
	return spot{x.L, x.A, x.B, c, min(sector, sectors-1)}
}

func (s *spot) lab() colorimetry.Lab { return colorimetry.Lab{L: s.l, A: s.a, B: s.b} }

// reach tells which pairs need no look, as they are further apart than a threshold for sure.
type reach struct {
	square    float64 // of the threshold, with a margin for doubt
	lightness float64 // least S_L⁻² of these pairs
	window    float64 // |ΔL*| from which on no pair is within reach
}

// reachOf is the reach at threshold t of pairs whose mean lightness L̄ is from low to high. S_L = 1 + 0.015(L̄−50)²/√(20+(L̄−50)²) grows with
// |L̄−50|, so it is largest at one of the two.
func reachOf(low, high, t float64) reach {
	d := max(math.Abs(low-50), math.Abs(high-50))
	most := (1 + 0.015*d*d/math.Sqrt(20+d*d)) * (1 + 1e-9)
	return reach{square: t * t * (1 + 4*doubt), lightness: 1 / (most * most), window: t * most}
}

// beyond is true only for pairs that are too far apart, and for most of them; where it is false nothing is known. Its bound: of the form in
// c = ΔC'/S_C and h = ΔH'/S_H at least (1 − ρ)(c² + h²) is left, where ρ = √(C̄'⁷/(C̄'⁷+25⁷))·sin 2Δθ; ΔC'² + ΔH'² is the squared distance in a', b*;
// and S_H ≤ S_C, as T < 3.
func (r *reach) beyond(x, y *spot) bool {
	return r.passed(tables.boundsOf(x, y), tables.rotation[x.sector][y.sector], x.l-y.l, x.a-y.a, x.b-y.b)
}

func (t *tabulated) boundsOf(x, y *spot) *chromaBounds {
	return &t.mean[int((x.c+y.c)*(meanSteps/2))&(meanPlaces-1)]
}

func (r *reach) passed(m *chromaBounds, rotation, dl, da, db float64) bool {
	return (m.stretch*da*da+db*db)*(1-rotation*m.rotating) > (r.square-dl*dl*r.lightness)*m.chroma
}

// list gives the places of the spots after place i that aren't beyond reach of the one at i. sorted is by lightness; the list is made in room.
func (r reach) list(sorted []spot, i int, room []int32) []int32 {
	x, after := sorted[i], sorted[i+1:]
	end := 0
	for end < len(after) && after[end].l-x.l < r.window {
		end++
	}
	after, room = after[:end], room[:end]
	t, n := tables, 0
	rotation := &t.rotation[x.sector]
	for k := range after {
		y := &after[k]
		room[n] = int32(i + 1 + k)
		kept := 1
		if r.passed(t.boundsOf(&x, y), rotation[y.sector], x.l-y.l, x.a-y.a, x.b-y.b) {
			kept = 0
		}
		n += kept
	}
	return room[:n]
}

// closeness tells whether two colours are closer than a threshold, exactly as CIEDE2000 does but mostly without computing it.
//
// Method: the square of the difference is computed with four of its functions read from tables (see roughly). It is then known to within doubt times
// l² + c² + h², which are its terms without the rotation. Where that doesn't settle on which side of the threshold the pair is, a few times in a
// thousand, CIEDE2000 itself decides.
type closeness struct{ t, square float64 }

func closerThan(t float64) closeness { return closeness{t, t * t} }

func (c closeness) closer(x, y *spot) bool {
	r := roughly(x, y)
	if c.doubtful(&r) {
		return c.exactly(x, y)
	}
	return c.within(&r)
}

// doubtful, within and without judge what roughly found for a pair. doubtful: CIEDE2000 must decide. within: it is closer, if it isn't doubtful.
// without: it is not closer, and not doubtful.
func (c closeness) doubtful(r *rough) bool {
	return !(math.Abs(r.square-c.square*r.scale) > doubt*r.terms)
}

func (c closeness) within(r *rough) bool { return r.square < c.square*r.scale }

func (c closeness) without(r *rough) bool { return r.square-doubt*r.terms > c.square*r.scale }

func (c closeness) exactly(x, y *spot) bool { return difference(x.lab(), y.lab()) < c.t }

// doubt is more than four times the largest error that the test of roughly finds.
const doubt = 4e-3

// Steps of the tables, which are read at the nearest step, without interpolation.
const (
	lightnessSteps = 16   // per unit of L*, to 150
	chromaSteps    = 64   // per unit of chroma, to that of a* = b* = 200 stretched 1.5 times
	hueSteps       = 4096 // per quadrant
	hueHalf        = 2*hueSteps + 1
	sectors        = 36 // of hues, see rotationBetween
	sectorDegrees  = 360.0 / sectors
	meanSteps      = 4    // per unit of mean chroma C*, of the bounds of beyond
	meanPlaces     = 2048 // a power of two above the steps to the largest C*
	mostLightness  = colorimetry.MaxLightness
	mostChroma     = 425
)

// tables are S_L⁻² by mean lightness, √(C⁷/(C⁷+25⁷)) by chroma, T and sin 2Δθ by the mean hue, and bounds by mean chroma C*.
// They are made with the first spot, not at each start of a module.
var (
	tables     *tabulated
	makeTables = sync.OnceFunc(func() { tables = newTables() })
)

type hueTerms struct{ t, rotation float32 }

// chromaBounds hold for a step of mean chroma C*: the least square of the stretch of a*, the most of S_C² and of √(C̄'⁷/(C̄'⁷+25⁷)).
type chromaBounds struct{ stretch, chroma, rotating float64 }

type tabulated struct {
	lightness [mostLightness*lightnessSteps + 1]float64
	chroma    [mostChroma*chromaSteps + 1]float32
	hue       [2 * hueHalf]hueTerms
	rotation  [sectors][sectors]float64 // most of sin 2Δθ
	mean      [meanPlaces]chromaBounds
}

func newTables() *tabulated {
	out := &tabulated{}
	for i := range out.lightness {
		x := float64(i)/lightnessSteps - 50
		s := 1 + 0.015*x*x/math.Sqrt(20+x*x)
		out.lightness[i] = 1 / (s * s)
	}
	for i := range out.chroma {
		c7 := math.Pow(float64(i)/chromaSteps, 7)
		out.chroma[i] = float32(math.Sqrt(c7 / (c7 + 6103515625))) // 25⁷
	}
	for i := range out.mean {
		g := func(c float64) float64 { c7 := math.Pow(c, 7); return math.Sqrt(c7 / (c7 + 6103515625)) }
		low, high := float64(i)/meanSteps-1e-6, float64(i+1)/meanSteps+1e-6
		least, most := 1.5-0.5*g(high), 1.5-0.5*g(max(0, low))
		sc := 1 + 0.045*most*high
		out.mean[i] = chromaBounds{least * least, sc * sc, g(most * high)}
	}
	for i := range out.hue {
		// The place along |x| + |y| = 1 stands for the angle: by y from −1 to 1, first where x ≥ 0 and then where it is below.
		y := float64(i%hueHalf)/hueSteps - 1
		x := math.Copysign(1-math.Abs(y), float64(hueHalf-1-i))
		h := math.Mod(math.Atan2(y, x)*180/math.Pi+360, 360)
		rad := func(degrees float64) float64 { return degrees * math.Pi / 180 }
		x = (h - 275) / 25
		out.hue[i] = hueTerms{
			t:        float32(1 - 0.17*math.Cos(rad(h-30)) + 0.24*math.Cos(rad(2*h)) + 0.32*math.Cos(rad(3*h+6)) - 0.20*math.Cos(rad(4*h-63))),
			rotation: float32(math.Sin(math.Pi / 3 * math.Exp(-x*x))),
		}
	}
	for i := range sectors {
		for j := range sectors {
			out.rotation[i][j] = rotationBetween(i, j)
		}
	}
	return out
}

// rotationBetween bounds sin 2Δθ of pairs of which one colour's hue in a*, b* is in sector i, from −180° on, and that of the other in j. Their mean
// hue is on the shorter arc between theirs in a', b*, which differ from them by what stretching a* up to 1.5 times makes of them.
func rotationBetween(i, j int) float64 {
	span := func(i int) (low, high float64) {
		low, high = math.Inf(1), math.Inf(-1)
		for _, h := range []float64{sectorDegrees*float64(i) - 180, sectorDegrees*float64(i+1) - 180} {
			sin, cos := math.Sincos(h * math.Pi / 180)
			stretched := h + math.Remainder(math.Atan2(sin, 1.5*cos)*180/math.Pi-h, 360)
			low, high = min(low, h, stretched), max(high, h, stretched)
		}
		return low, high
	}
	low, high := span(i)
	low2, high2 := span(j)
	turn := 360 * math.Round((low+high-low2-high2)/720)
	low, high = min(low, low2+turn), max(high, high2+turn)
	if high-low >= 180-1e-6 {
		return mostRotation
	}
	most := 0.0
	for _, turn := range []float64{-720, -360, 0, 360, 720} { // sin 2Δθ falls from 275° on either way, to 0° and to 360°
		from, to := max(low+turn, 0), min(high+turn, 360)
		if from <= to {
			x := (min(max(275, from), to) - 275) / 25
			most = max(most, math.Sin(math.Pi/3*math.Exp(-x*x)))
		}
	}
	return min(most+greenRotation, mostRotation)
}

// mostRotation is sin 60°, the largest of sin 2Δθ; below greenRotation it is nothing here.
const (
	mostRotation  = 0.8660254037844387
	greenRotation = 1e-6
	// opposite is the sine of hues so nearly opposite that the side of their mean hangs on rounding.
	opposite = 1e-6
	// alike is the square of a difference below which rounding is felt.
	alike = 1e-12
)

// rough is what the tables tell about a pair: the square of its CIEDE2000 difference, to within doubt times terms, and terms, the sum of squares of its
// three terms. Both are multiplied by scale, which saves a division. All are NaN (unknown) for opposite hues, greys and nearly equal colours, which are
// left to the formula.
type rough struct{ square, terms, scale float64 }

var unknown = rough{math.NaN(), math.NaN(), math.NaN()}

// roughly computes the equations of Sharma, Wu & Dalal 2005, as colorimetry.CIEDE2000 does, times scale = (S_C·S_H)². It has few branches that depend
// on the pair, since a processor can't predict those.
func roughly(x, y *spot) rough {
	i := uint(int((x.l+y.l)*(lightnessSteps/2) + 0.5))
	k := uint(int((x.c+y.c)*(chromaSteps/2) + 0.5))
	g := &tables.chroma
	if i >= uint(len(tables.lightness)) || k >= uint(len(g)) {
		return unknown
	}
	dl := x.l - y.l
	l := dl * dl * tables.lightness[i]
	stretch := 1.5 - 0.5*float64(g[k])
	a1, a2 := stretch*x.a, stretch*y.a
	da, db := a1-a2, x.b-y.b
	c1, c2 := math.Sqrt(a1*a1+x.b*x.b), math.Sqrt(a2*a2+y.b*y.b)
	// The mean hue is the direction of the sum of the two unit vectors, which for obtuse differences is at right angles to their own difference.
	cross := a1*y.b - a2*x.b
	u, v := a1*c2+a2*c1, x.b*c2+y.b*c1
	if a1*a2+x.b*y.b < 0 {
		u, v = y.b*c1-x.b*c2, a1*c2-a2*c1
		switch product := c1 * c2; {
		case math.Abs(cross) <= opposite*product:
			return unknown
		case cross < 0:
			u, v = -u, -v
		}
	}
	i = uint(int((v/(math.Abs(u)+math.Abs(v))+1)*hueSteps + 0.5)) // of the sine over the sum of both
	if i >= hueHalf {                                             // two greys
		return unknown
	}
	hue := &tables.hue[i+uint(math.Float64bits(u)>>63)*hueHalf]
	dc, mean := c1-c2, (c1+c2)/2
	dc2 := dc * dc
	dh2 := max(0, da*da+db*db-dc2) // below 0 by rounding
	sc, sh := 1+0.045*mean, 1+0.015*mean*float64(hue.t)
	sc *= sc
	sh *= sh
	r := rough{scale: sc * sh}
	r.terms = l*r.scale + dc2*sh + dh2*sc
	if r.terms < alike*r.scale { // where dc and dh have no digits left
		return unknown
	}
	r.square = r.terms
	if hue.rotation < greenRotation {
		return r
	}
	k = uint(int(mean*chromaSteps + 0.5))
	if k >= uint(len(g)) {
		return unknown
	}
	// dc is C'1 − C'2, and the sine of the hue from 1 to 2 is that of ΔH': their product has the sign of −ΔC'·ΔH'.
	r.square += 2 * float64(g[k]) * float64(hue.rotation) * math.Copysign(math.Sqrt(dc2*dh2*r.scale), dc*cross)
	return r
}
