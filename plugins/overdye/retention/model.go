package retention

import (
	"math"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Piece is one piece that got both baths, with what it has to be held against: reflectance factors from 0 to 2, all on one grid.
type Piece struct {
	Substrate []float64 // undyed, prepared as the others were
	First     []float64 // the first dye alone
	Second    []float64 // the second dye alone, on the same substrate
	Both      []float64 // what the second bath made of the first colour; nil where it is to be predicted
}

// Coefficients are the model of one class.
type Coefficients struct {
	Retention float64 // r, from 0; 1: the second bath takes nothing away
	Uptake    float64 // s, from 0; 1: the second dye goes on as on a white piece
}

// OrderBlind are the coefficients of a model that nothing was fitted to.
var OrderBlind = Coefficients{Retention: 1, Uptake: 1}

// Surface are the reflections at the surface that K/S knows nothing of (Saunderson 1942): K1 of light from outside, K2 of light from within. Both are 0
// for textiles as a rule.
type Surface struct{ K1, K2 float64 }

// The ranges of Surface.
const (
	MaxK1 = 0.2
	MaxK2 = 0.7
)

// Validate refuses NaN and figures outside of K1 0 to 0.2 and K2 0 to 0.7.
func (s Surface) Validate() error {
	if !(s.K1 >= 0 && s.K1 <= MaxK1) {
		return refuse("surface_k1", s.K1, "0 to 0.2")
	}
	if !(s.K2 >= 0 && s.K2 <= MaxK2) {
		return refuse("surface_k2", s.K2, "0 to 0.7")
	}
	return nil
}

// Inside takes the surface's reflections from a measured factor: (R-k1)/(1-k1-k2(1-R)).
func (s Surface) Inside(r float64) float64 { return (r - s.K1) / (1 - s.K1 - float64(s.K2*(1-r))) }

// Outside undoes Inside.
func (s Surface) Outside(r float64) float64 {
	return s.K1 + float64(float64((1-s.K1)*(1-s.K2))*r)/(1-float64(s.K2*r))
}

// ks is K/S below the surface.
func (s Surface) ks(r float64) (float64, bool) { return colorimetry.KS(s.Inside(r)) }

// Mix is the model: the curve after both baths. clamped counts the wavelengths at which less than no absorption came out, which is taken as none.
func (s Surface) Mix(p Piece, c Coefficients) (curve []float64, clamped int) {
	curve = make([]float64, len(p.Substrate))
	for i := range curve {
		k0, _ := s.ks(p.Substrate[i])
		k1, _ := s.ks(p.First[i])
		k2, _ := s.ks(p.Second[i])
		k := k0 + float64(c.Retention*(k1-k0)) + float64(c.Uptake*(k2-k0))
		if k < 0 {
			k, clamped = 0, clamped+1
		}
		curve[i] = s.Outside(colorimetry.ReflectanceFromKS(k))
	}
	return curve, clamped
}

// Rule is a simple way to guess the colour after both baths, which a model has to beat.
type Rule string

// The rules.
const (
	RuleLabMean       Rule = "lab_mean"       // halfway between the two colours in CIELAB
	RuleProduct       Rule = "product"        // R1 R2 / R0, filters one behind the other
	RuleGeometricMean Rule = "geometric_mean" // sqrt(R1 R2)
	RuleLastDye       Rule = "last_dye"       // the second dye hides the first
	RuleAdditive      Rule = "additive"       // the model with r = s = 1
)

// Rules are all of them, in the order of answers.
func Rules() []Rule {
	return []Rule{RuleLabMean, RuleProduct, RuleGeometricMean, RuleLastDye, RuleAdditive}
}

// guess is the colour that a rule gives.
func (m *Method) guess(rule Rule, p Piece) (colorimetry.Lab, error) {
	curve := make([]float64, len(p.Substrate))
	switch rule {
	case RuleLabMean:
		first, err := m.weights.Lab(p.First)
		if err != nil {
			return first, err
		}
		second, err := m.weights.Lab(p.Second)
		return colorimetry.Lab{L: (first.L + second.L) / 2, A: (first.A + second.A) / 2, B: (first.B + second.B) / 2}, err
	case RuleProduct:
		for i := range curve {
			curve[i] = min(p.First[i]*p.Second[i]/max(p.Substrate[i], colorimetry.MinKSReflectance), colorimetry.MaxReflectance)
		}
	case RuleGeometricMean:
		for i := range curve {
			curve[i] = math.Sqrt(p.First[i] * p.Second[i])
		}
	case RuleLastDye:
		copy(curve, p.Second)
	case RuleAdditive:
		curve, _ = m.surface.Mix(p, OrderBlind)
	}
	return m.weights.Lab(curve)
}
