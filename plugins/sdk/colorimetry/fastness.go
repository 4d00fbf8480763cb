package colorimetry

import (
	"fmt"
	"math"
)

// Grade is a step of the ISO 105 grey scales in halves: 1, 1.5, ... 5, where 5 is
// no change and 4.5 is written "4-5". No result of this package is a certified
// test.
type Grade float64

// String writes the trade's form, such as "4-5" or "3".
func (g Grade) String() string {
	if whole := math.Floor(float64(g)); whole != float64(g) {
		return fmt.Sprintf("%g-%g", whole, whole+1)
	}
	return number(float64(g))
}

// ColourChange is the change of a piece in the manner of ISO 105-A05.
type ColourChange struct {
	DeltaEF    float64 // dE_F, in CIELAB units: the difference from which the grade is taken
	Grade      Grade   // 1 to 5 by halves
	Continuous float64 // the same scale without steps, 1 to 5
}

// A05 gives the grey-scale grade of a change in colour from original to
// exposed, in the manner of ISO 105-A05.
//
// Method: a term D, which counts for blues, is taken from the chroma difference and
// from the hue difference, and both are then divided by factors that grow with
// chroma. dE_F is the root of the sum of the squares of these two and of the
// lightness difference. Grades change at the middles between the steps of
// the grey scale of ISO 105-A02. The equations for D, dC_F and dH_F and these
// middles are from memory: compare them with the standard before calling a result
// conformant. The continuous scale is that of two independent public programs.
// Colours that [Lab.Validate] refuses are a *FieldError.
func A05(original, exposed Lab) (ColourChange, error) {
	if err := bothValid("original", original, "exposed", exposed); err != nil {
		return ColourChange{}, err
	}
	p, q := original.LCh(), exposed.LCh()
	dL, dC := q.L-p.L, q.C-p.C
	dH := deltaH(original, exposed, p.C, q.C)
	cM := (p.C + q.C) / 2
	hM := meanHue(p.H, q.H, p.C, q.C)
	off := math.Abs(hM - 280)
	if off > 180 {
		off = 360 - off
	}
	x := off / 30
	x *= x
	d := dC * cM * math.Exp(-x) / 100 // from memory
	wide, narrow := cM/50, cM/100     // 20 C/1000 and 10 C/1000, from memory
	dCF := (dC - d) / (1 + float64(wide*wide))
	dHF := (dH - d) / (1 + float64(narrow*narrow))
	dEF := math.Sqrt(float64(dL*dL) + float64(dCF*dCF) + float64(dHF*dHF))
	out := ColourChange{DeltaEF: dEF, Grade: 1}
	for i, cut := range a05Cuts {
		if dEF < cut {
			out.Grade = Grade(5 - float64(i)/2)
			break
		}
	}
	if dEF <= 3.4 {
		out.Continuous = 5 - dEF/1.7
	} else {
		out.Continuous = max(1, 5-math.Log2(dEF/0.85))
	}
	return out, nil
}

// a05Cuts are the differences below which the grades 5, 4-5, ... 1-2 are given:
// the middles between the steps of ISO 105-A02. From memory.
var a05Cuts = [...]float64{0.40, 1.25, 2.10, 2.95, 4.10, 5.80, 8.20, 11.60}

// meanHue is the middle of the shorter arc between two hues in degrees; of a grey
// and a colour it is the colour's hue.
func meanHue(h1, h2, c1, c2 float64) float64 {
	switch {
	case c1 == 0:
		return h2
	case c2 == 0:
		return h1
	case math.Abs(h1-h2) <= 180:
		return (h1 + h2) / 2
	case h1+h2 < 360:
		return (h1+h2)/2 + 180
	}
	return (h1+h2)/2 - 180
}

// Staining is the staining of an adjacent cloth in the manner of ISO 105-A04.
type Staining struct {
	DeltaEGS float64 // dE_GS, in CIELAB units: the difference from which the grade is taken
	SSR      float64 // the staining scale rating without steps, 1 to 5
	Grade    Grade   // 1 to 5 by halves
}

// A04 gives the grey-scale grade of the staining of an adjacent cloth, in the
// manner of ISO 105-A04: SSR = 6.1 - 1.45 ln dE_GS, or 5 - 0.23 dE_GS where that
// would be above 4, with dE_GS = dE - 0.4 sqrt(dE^2 - dL^2) and dE by [CIE76]. The
// logarithm is the natural one (by two independent sources; one public program
// takes the decimal one). That the grade is the nearest half is from memory.
// Colours that [Lab.Validate] refuses are a *FieldError.
func A04(unstained, stained Lab) (Staining, error) {
	if err := bothValid("unstained", unstained, "stained", stained); err != nil {
		return Staining{}, err
	}
	dE, dL := CIE76(unstained, stained), stained.L-unstained.L
	gs := dE - float64(0.4*math.Sqrt(max(0, float64(dE*dE)-float64(dL*dL))))
	ssr := 5 - float64(0.23*gs)
	if by := 6.1 - float64(1.45*math.Log(gs)); by <= 4 {
		ssr = by
	}
	ssr = min(max(ssr, 1), 5)
	return Staining{DeltaEGS: gs, SSR: ssr, Grade: Grade(math.Round(2*ssr) / 2)}, nil
}

// BlueWool is the light fastness of a piece on the scale of the blue wool
// references, 1 (fades soonest) to 8.
type BlueWool struct {
	// Low and High are the references between which it lies, 1 to 8; they are
	// equal when it is at one of them.
	Low, High int
	// Beyond tells that it faded more than reference 1 or less than reference 8;
	// then Low = High = 1 or 8.
	Beyond bool
}

// String writes "5", "5-6", "below 1" or "above 8".
func (b BlueWool) String() string {
	switch {
	case b.Beyond && b.Low == 1:
		return "below 1"
	case b.Beyond:
		return "above 8"
	case b.Low == b.High:
		return fmt.Sprint(b.Low)
	}
	return fmt.Sprintf("%d-%d", b.Low, b.High)
}

// leastContrast is the least change of the most faded reference for an exposure to
// say anything, in units of dE_F: the limit between grades 4-5 and 4.
const leastContrast = 1.25

// ErrTooLittleExposure tells that not even the weakest reference has changed
// enough to see.
var ErrTooLittleExposure = fmt.Errorf("insufficient exposure: no blue wool reference has changed by %g or more", leastContrast)

// BracketBlueWool says between which of the references 1 to 8, exposed beside
// the piece, its change lies: home window tests in the manner of ISO 105-B02,
// never a certified result.
//
// The changes of references and piece are differences from 0 to 1000 by one
// formula, preferably [A05]. The references must fade less and less from 1 to 8;
// anything else is a *FieldError. Between two of them the logarithm of the change
// is interpolated: below a quarter of the way the piece is at the lower reference,
// up to three quarters between the two, beyond that at the higher. These limits are
// ours.
func BracketBlueWool(references [8]float64, piece float64) (BlueWool, error) {
	before := math.Inf(1)
	for i, v := range references {
		field := fmt.Sprintf("references[%d]", i)
		if err := checkRange(field, v, 0, 1000); err != nil {
			return BlueWool{}, err
		}
		if !(v < before) {
			return BlueWool{}, &FieldError{Field: field, Value: number(v), Allowed: "below the one before, " + number(before)}
		}
		before = v
	}
	if err := checkRange("piece", piece, 0, 1000); err != nil {
		return BlueWool{}, err
	}
	if references[0] < leastContrast {
		return BlueWool{}, ErrTooLittleExposure
	}
	switch {
	case piece > references[0]:
		return BlueWool{1, 1, true}, nil
	case piece < references[7]:
		return BlueWool{8, 8, true}, nil
	}
	for k := range 7 {
		high, low := references[k], references[k+1]
		if piece < low {
			continue
		}
		// A reference that has not changed at all has no logarithm; a hundredth
		// of a unit is below what instruments tell.
		const least = 0.01
		part := 0.0
		if high > least {
			part = (math.Log(high) - math.Log(max(piece, least))) / (math.Log(high) - math.Log(max(low, least)))
		}
		switch {
		case part < 0.25:
			return BlueWool{k + 1, k + 1, false}, nil
		case part <= 0.75:
			return BlueWool{k + 1, k + 2, false}, nil
		}
		return BlueWool{k + 2, k + 2, false}, nil
	}
	return BlueWool{8, 8, false}, nil
}
