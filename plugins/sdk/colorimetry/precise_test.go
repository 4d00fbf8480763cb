package colorimetry

import (
	"math"
	"math/big"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The formulas evaluated as they are printed, in degrees, with 256 bits (77 digits): what the package's accuracy is measured against.

const bits = 256

func num(v float64) *big.Float { return new(big.Float).SetPrec(bits).SetFloat64(v) }
func decimal(s string) *big.Float {
	v, _, err := big.ParseFloat(s, 10, bits, big.ToNearestEven)
	if err != nil {
		panic(err)
	}
	return v
}
func zero() *big.Float                      { return new(big.Float).SetPrec(bits) }
func add(a, b *big.Float) *big.Float        { return zero().Add(a, b) }
func sub(a, b *big.Float) *big.Float        { return zero().Sub(a, b) }
func mul(a, b *big.Float) *big.Float        { return zero().Mul(a, b) }
func quo(a, b *big.Float) *big.Float        { return zero().Quo(a, b) }
func root(a *big.Float) *big.Float          { return zero().Sqrt(a) }
func square(a *big.Float) *big.Float        { return mul(a, a) }
func hypotenuse(a, b *big.Float) *big.Float { return root(add(square(a), square(b))) }

var bigPi = decimal("3.1415926535897932384626433832795028841971693993751058209749445923078164062862089986280348253")

// sinCos of an angle in degrees below 4,000 in size, by the power series of the angle over 2^20, doubled again.
func sinCos(degrees *big.Float) (sin, cos *big.Float) {
	x := quo(mul(degrees, bigPi), num(180))
	const halvings = 20
	x = quo(x, num(1<<halvings))
	x2 := square(x)
	sin, term := zero().Set(x), zero().Set(x)
	for n := 3.0; n < 40; n += 2 {
		term = quo(mul(term, x2), num(-n*(n-1)))
		sin = add(sin, term)
	}
	// versin = 1 - cos keeps the digits that cos loses near 1.
	versin, term := quo(x2, num(2)), quo(x2, num(2))
	for n := 4.0; n < 40; n += 2 {
		term = quo(mul(term, x2), num(-n*(n-1)))
		versin = add(versin, term)
	}
	for range halvings { // sin 2x = 2 sin x cos x, versin 2x = 2 sin² x
		s := sin
		sin = mul(num(2), mul(s, sub(num(1), versin)))
		versin = mul(num(2), square(s))
	}
	return sin, sub(num(1), versin)
}

// hueOf is the angle in degrees from 0 to below 360: one Newton step of second order from the double's angle.
func hueOf(a, b *big.Float) *big.Float {
	if a.Sign() == 0 && b.Sign() == 0 {
		return zero()
	}
	x, _ := a.Float64()
	y, _ := b.Float64()
	h := num(math.Atan2(y, x) * 180 / math.Pi)
	for range 2 {
		s, c := sinCos(h)
		t := quo(sub(mul(b, c), mul(a, s)), add(mul(a, c), mul(b, s)))
		delta := sub(t, quo(mul(t, square(t)), num(3)))
		h = add(h, quo(mul(delta, num(180)), bigPi))
	}
	if h.Sign() < 0 {
		h = add(h, num(360))
	}
	if h.Cmp(num(360)) >= 0 {
		h = sub(h, num(360))
	}
	return h
}

func exponential(v *big.Float) *big.Float {
	const halvings = 30
	x := quo(v, num(1<<halvings))
	sum, term := num(1), num(1)
	for n := 1.0; n < 40; n++ {
		term = quo(mul(term, x), num(n))
		sum = add(sum, term)
	}
	for range halvings {
		sum = square(sum)
	}
	return sum
}

func seventhOver(c *big.Float) *big.Float {
	c7 := mul(mul(square(square(c)), square(c)), c)
	return quo(c7, add(c7, num(6103515625)))
}

type branch int

const (
	asPrinted branch = iota // at most 180 degrees apart within 1e-10, or more
	within180               // the mean is between the hues
	beyond180               // the mean is on the other side
)

// preciseCIEDE2000 takes the branch of equations 10 and 14 as told.
func preciseCIEDE2000(r, s Lab, f Factors, take branch) float64 {
	l1, b1, l2, b2 := num(r.L), num(r.B), num(s.L), num(s.B)
	c1, c2 := hypotenuse(num(r.A), b1), hypotenuse(num(s.A), b2)
	g := mul(num(0.5), sub(num(1), root(seventhOver(quo(add(c1, c2), num(2))))))
	a1, a2 := mul(add(num(1), g), num(r.A)), mul(add(num(1), g), num(s.A))
	c1, c2 = hypotenuse(a1, b1), hypotenuse(a2, b2)
	h1, h2 := hueOf(a1, b1), hueOf(a2, b2)
	dL, dC := sub(l2, l1), sub(c2, c1)
	dh := sub(h2, h1)
	mean := quo(add(h1, h2), num(2))
	over := sub(zero().Abs(dh), num(180))
	switch {
	case c1.Sign() == 0 || c2.Sign() == 0:
		dh, mean = zero(), add(h1, h2)
	case take == within180 || take == asPrinted && over.Cmp(num(1e-10)) < 0:
	default:
		if dh.Sign() > 0 {
			dh = sub(dh, num(360))
		} else {
			dh = add(dh, num(360))
		}
		if add(h1, h2).Cmp(num(360)) < 0 {
			mean = add(mean, num(180))
		} else {
			mean = sub(mean, num(180))
		}
	}
	sinHalf, _ := sinCos(quo(dh, num(2)))
	dH := mul(mul(num(2), root(mul(c1, c2))), sinHalf)
	meanL, meanC := quo(add(l1, l2), num(2)), quo(add(c1, c2), num(2))
	cosine := func(times, off float64) *big.Float {
		_, c := sinCos(add(mul(num(times), mean), num(off)))
		return c
	}
	t := sub(num(1), mul(decimal("0.17"), cosine(1, -30)))
	t = add(t, mul(decimal("0.24"), cosine(2, 0)))
	t = add(t, mul(decimal("0.32"), cosine(3, 6)))
	t = sub(t, mul(decimal("0.20"), cosine(4, -63)))
	x := quo(sub(mean, num(275)), num(25))
	dTheta := mul(num(30), exponential(zero().Neg(square(x))))
	rC := mul(num(2), root(seventhOver(meanC)))
	mid := square(sub(meanL, num(50)))
	sL := add(num(1), quo(mul(decimal("0.015"), mid), root(add(num(20), mid))))
	sC := add(num(1), mul(decimal("0.045"), meanC))
	sH := add(num(1), mul(mul(decimal("0.015"), meanC), t))
	sin2, _ := sinCos(mul(num(2), dTheta))
	rT := zero().Neg(mul(sin2, rC))
	l, c, h := quo(dL, mul(num(f.KL), sL)), quo(dC, mul(num(f.KC), sC)), quo(dH, mul(num(f.KH), sH))
	sum := add(add(square(l), square(c)), add(square(h), mul(rT, mul(c, h))))
	out, _ := root(sum).Float64()
	return out
}

// preciseOther evaluates the formulas of 1976, 1994 and CMC.
func preciseOther(f Formula, r, s Lab) float64 {
	a1, b1, a2, b2 := num(r.A), num(r.B), num(s.A), num(s.B)
	c1, c2 := hypotenuse(a1, b1), hypotenuse(a2, b2)
	dL, dC := sub(num(s.L), num(r.L)), sub(c2, c1)
	dH2 := sub(add(square(sub(a2, a1)), square(sub(b2, b1))), square(dC))
	wL, wC, wH := num(1), num(1), num(1)
	linear := func(k string) *big.Float { return add(num(1), mul(decimal(k), c1)) }
	switch f {
	case FormulaCIE94Textile:
		wL, wC, wH = num(2), linear("0.048"), linear("0.014")
	case FormulaCIE94GraphicArts:
		wC, wH = linear("0.045"), linear("0.015")
	case FormulaCMC:
		wL = decimal("0.511")
		if r.L >= 16 {
			wL = quo(mul(decimal("0.040975"), num(r.L)), add(num(1), mul(decimal("0.01765"), num(r.L))))
		}
		wC = add(quo(mul(decimal("0.0638"), c1), add(num(1), mul(decimal("0.0131"), c1))), decimal("0.638"))
		h := hueOf(a1, b1)
		var t *big.Float
		if h.Cmp(num(164)) >= 0 && h.Cmp(num(345)) <= 0 {
			_, c := sinCos(add(h, num(168)))
			t = add(decimal("0.56"), zero().Abs(mul(decimal("0.2"), c)))
		} else {
			_, c := sinCos(add(h, num(35)))
			t = add(decimal("0.36"), zero().Abs(mul(decimal("0.4"), c)))
		}
		fourth := square(square(c1))
		ff := root(quo(fourth, add(fourth, num(1900))))
		wH = mul(wC, add(mul(ff, t), sub(num(1), ff)))
	}
	sum := add(add(square(quo(dL, wL)), square(quo(dC, wC))), quo(dH2, square(wH)))
	out, _ := root(sum).Float64()
	return out
}

func TestPreciseArithmetic(t *testing.T) {
	// Known values, to check the arithmetic that checks.
	s, c := sinCos(num(30))
	assert.Negative(t, sub(zero().Abs(sub(s, num(0.5))), decimal("1e-60")).Sign(), "sin 30 is a half")
	third := quo(root(num(3)), num(2))
	assert.Negative(t, sub(zero().Abs(sub(c, third)), decimal("1e-60")).Sign(), "cos 30 is the root of three quarters")
	h := hueOf(num(-1), num(-1))
	assert.Negative(t, sub(zero().Abs(sub(h, num(225))), decimal("1e-60")).Sign())
	e, _ := exponential(num(1)).Float64()
	assert.Equal(t, math.E, e)
	e, _ = exponential(num(-11.56)).Float64()
	assert.InEpsilon(t, math.Exp(-11.56), e, 1e-15)
}

func TestDifferencesToHighPrecision(t *testing.T) {
	worst := map[Formula]float64{}
	left := 0
	for i, spread := range []float64{1, 0.1, 1e-2, 1e-4, 1e-6} {
		reference, sample := randomColours(300, uint64(30+i)), randomColours(300, uint64(40+i))
		for k, p := range reference {
			q := Lab{p.L + spread*(sample[k].L-p.L), p.A + spread*(sample[k].A-p.A), p.B + spread*(sample[k].B-p.B)}
			for _, f := range Formulas() {
				want := 0.0
				if f == FormulaCIEDE2000 {
					if nearJump(p, q, DefaultFactors) {
						left++
						continue
					}
					want = preciseCIEDE2000(p, q, DefaultFactors, asPrinted)
				} else {
					want = preciseOther(f, p, q)
				}
				worst[f] = max(worst[f], math.Abs(want-f.Difference(p, q, DefaultFactors)))
			}
		}
	}
	for f, w := range worst {
		assert.Less(t, w, 1e-11, f)
	}
	t.Logf("largest deviations %v; %d pairs at a jump", worst, left)
	for _, r := range publishedRows(t, "ciede2000_sharma2005.csv") {
		p, q := sharmaPair(t, r)
		for _, k := range []Factors{DefaultFactors, {2, 1, 1}, {1, 1.5, 0.5}} {
			assert.InDelta(t, preciseCIEDE2000(p, q, k, asPrinted), CIEDE2000(p, q, k), 1e-9, "pair %s", r["pair"])
		}
	}
}

// Opposite hues, branch by branch: within 1e-10 degrees of opposite the difference is that of the mean between the hues, whatever the last bits
// say; beyond, it is that of the branch on whose side the pair lies.
func TestOppositeHuesBranchByBranch(t *testing.T) {
	apart := 0
	for degrees := 0.5; degrees < 180; degrees += 3.7 {
		for _, scale := range []float64{1, 0.3, 2} {
			p := LCh{50, 12, degrees}.Lab()
			exact := Lab{55, -scale * p.A, -scale * p.B}
			in, out := preciseCIEDE2000(p, exact, DefaultFactors, within180), preciseCIEDE2000(p, exact, DefaultFactors, beyond180)
			if math.Abs(in-out) > 1e-4 {
				apart++
			}
			assert.InDelta(t, in, CIEDE2000(p, exact, DefaultFactors), 1e-9, "%v %v", degrees, scale)
			assert.InDelta(t, in, CIEDE2000(exact, p, DefaultFactors), 1e-9, "%v %v backwards", degrees, scale)
			for _, turn := range []float64{1e-12, -1e-12, 1e-8, -1e-8, 1e-5, -1e-5} { // degrees
				sin, cos := math.Sincos(turn * math.Pi / 180)
				q := Lab{55, float64(exact.A*cos) - float64(exact.B*sin), float64(exact.A*sin) + float64(exact.B*cos)}
				want := preciseCIEDE2000(p, q, DefaultFactors, asPrinted)
				assert.InDelta(t, want, CIEDE2000(p, q, DefaultFactors), 1e-9, "%v %v turned by %v", degrees, scale, turn)
			}
		}
	}
	require.Greater(t, apart, 100, "the branches differ by enough to be told apart")
}
