package invent

import (
	"math"
)

// The invented readings come from the simplest picture of dyed fibre: K/S adds
// up (Kubelka & Munk 1931), each dye is one bell-shaped band, a second bath
// takes some of the first dye away and meets a fibre that is partly taken. The figures
// below are made up to look like yellow, red and blue dyes; they are no measurements.

const (
	firstNm = 400.0
	stepNm  = 10.0
	bands   = 31
)

// band is the invented absorption of a dye on a fibre: K/S at its maximum for a medium depth.
type band struct {
	centreNm, widthNm, ks float64
}

var dyes = map[string]band{
	"weld":   {395, 42, 9},
	"madder": {505, 48, 7},
	"indigo": {655, 62, 5},
}

// cloth is an invented fibre: how yellow it is undyed, and how well it takes each dye.
type cloth struct {
	fibre, form, lot string
	groundKS         float64
	take             map[string]float64
}

var cloths = []cloth{
	{"wool", "yarn", "wool lot 3 " + Mark, 0.16, map[string]float64{"weld": 1.2, "madder": 1.25, "indigo": 1.1}},
	{"silk", "yarn", "silk lot 1 " + Mark, 0.07, map[string]float64{"weld": 1.0, "madder": 0.8, "indigo": 0.85}},
	{"cotton", "cloth", "cotton lot 7 " + Mark, 0.05, map[string]float64{"weld": 0.35, "madder": 0.45, "indigo": 0.75}},
}

// pots are the accidents of one session's pots, shared by everything dyed in them.
type pots struct {
	strength map[string]float64 // pot label to its strength, 1 as intended
}

// dose is one colour bath that a piece went through.
type dose struct {
	dye   string
	pot   string  // whose accidents it shares
	depth float64 // 1 medium
	blank bool    // the bath without its dye
}

// curve is the invented reflectance of a piece after its doses in order.
func (m *maker) curve(c cloth, p pots, doses []dose) []float64 {
	amounts := map[string]float64{}
	for _, d := range doses {
		// What a later bath does to the dye that is there: the vat strips the
		// mordant dye, the more so the longer the piece is in it; a hot dye bath loosens a
		// little indigo.
		for dye := range amounts {
			if d.dye == "indigo" {
				amounts[dye] *= 1 - 0.30*math.Min(d.depth, 1.6)
			} else {
				amounts[dye] *= 0.94
			}
		}
		if d.blank {
			continue
		}
		taken := 0.0
		for _, a := range amounts {
			taken += a
		}
		amounts[d.dye] += d.depth * p.strength[d.pot] * c.take[d.dye] / (1 + 0.12*taken)
	}
	out := make([]float64, bands)
	unevenness := 1 + 0.02*m.rng.NormFloat64() // where on the piece the instrument was put
	for i := range out {
		nm := firstNm + stepNm*float64(i)
		ks := c.groundKS * math.Exp(-(nm-400)/140)
		for _, dye := range []string{"weld", "madder", "indigo"} { // in a fixed order: sums must not hang on the map's
			b := dyes[dye]
			from := (nm - b.centreNm) / b.widthNm
			ks += amounts[dye] * unevenness * b.ks * math.Exp(-0.5*from*from)
		}
		out[i] = round(1/(1+ks+math.Sqrt(ks*(ks+2)))*0.93, 4)
	}
	return out
}

// accidents makes up the pots of a session.
func (m *maker) accidents(labels ...string) pots {
	p := pots{strength: map[string]float64{}}
	for _, l := range labels {
		p.strength[l] = math.Exp(0.06 * m.rng.NormFloat64())
	}
	return p
}

func round(v float64, digits int) float64 {
	f := math.Pow10(digits)
	return math.Round(v*f) / f
}
