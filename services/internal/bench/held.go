package bench

import (
	"math"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
)

// span is an amount between its bounds.
type span struct{ low, high float64 }

func (s span) plus(o span) span { return span{s.low + o.low, s.high + o.high} }

// over is the span of both: from the lower low to the higher high.
func (s span) over(o span) span { return span{math.Min(s.low, o.low), math.Max(s.high, o.high)} }

// held is what the liquor of a bath has of a material, in grams; known is false when nobody knows how much.
type held struct {
	material string
	grams    span
	known    bool
}

// leftOver finds what each exhaust holds of the bath before, beside what its own recipe tells. Where the uptake isn't told it is anything up to all of it.
func (d *draft) leftOver() {
	byName := map[string]*bath{}
	for _, one := range d.baths {
		if before := byName[one.plan.GetExhaustOf()]; before != nil {
			own, _ := one.materials()
			for _, was := range before.holds() {
				if !contains(own, was.material) {
					one.left = append(one.left, was.after(one.plan.GetUptakes()))
				}
			}
		}
		byName[one.plan.GetName()] = one
	}
}

func (h held) after(uptakes []*benchpb.PlanUptake) held {
	for _, u := range uptakes {
		if u.GetMaterial() == h.material {
			h.grams = span{h.grams.low * (1 - u.GetPart()), h.grams.high * (1 - u.GetPart())}
			return h
		}
	}
	h.grams.low = 0
	return h
}

// holds is all that is in a bath over its fillings, as recipes mean it: what its fibre is given, and what was left in it.
func (one *bath) holds() (all []held) {
	names, _ := one.materials()
	for _, name := range names {
		h := held{material: name, known: len(one.scaled.GetLoads()) > 0}
		for _, l := range one.scaled.GetLoads() {
			percent, _, known := one.inLoad(l, name)
			h.known = h.known && known
			h.grams = h.grams.plus(span{percent.low / 100 * l.GetFibreG(), percent.high / 100 * l.GetFibreG()})
		}
		all = append(all, h)
	}
	return append(all, one.left...)
}

// inIt names all that is in a bath but for what fibre carries into it.
func (one *bath) inIt() []string {
	names, _ := one.materials()
	for _, h := range one.left {
		names = append(names, h.material)
	}
	return names
}

// inLoad is what the fibre of a filling gets of a material, in percent of its mass, and its liquor, in grams per litre.
func (one *bath) inLoad(l *bathscalev1.LoadAmounts, material string) (percent, liquor span, known bool) {
	perLitre := func(g float64) float64 {
		if l.GetVolumeMl() <= 0 {
			return math.NaN() // of no liquor
		}
		return g / l.GetVolumeMl() * 1000
	}
	for _, a := range l.GetAmounts() {
		if a.GetMaterial() != material {
			continue
		}
		// Of what is at hand, as exact and as shown, with what is left of a bath before, as far as its uncertainty reaches.
		least, most := math.Min(a.GetAtHandG(), a.GetShownG())+a.GetLeftG(), math.Max(a.GetAtHandG(), a.GetShownG())+a.GetLeftG()
		part := a.GetUncertaintyPercent() / 100
		return span{a.GetDeliveredLowPercent(), a.GetDeliveredHighPercent()}, span{perLitre(least * math.Max(0, 1-part)), perLitre(most * (1 + part))}, a.GetNotKnown() == ""
	}
	for _, h := range one.left {
		if h.material != material {
			continue
		}
		grams := h.grams
		if len(one.scaled.GetLoads()) > 1 {
			grams.low = 0 // how it is shared among fillings isn't told
		}
		return span{100 * grams.low / l.GetFibreG(), 100 * grams.high / l.GetFibreG()}, span{perLitre(grams.low), perLitre(grams.high)}, h.known && l.GetFibreG() > 0
	}
	return percent, liquor, false
}

// delivered are what the fibre and the liquor get of a material, over all loads, between the bounds of each. What stands in a bath under several names is added up, and so
// are the salts of a metal that has a ceiling. An amount that isn't known of one of them isn't known.
func (one *bath) delivered(k known, material string) {
	loads := one.scaled.GetLoads()
	if len(loads) == 0 {
		return
	}
	names := one.same[material]
	if len(names) == 0 {
		names = []string{material}
	}
	if percent, liquor, known := one.together(names, func(string) (low, high float64) { return 1, 1 }); known {
		k.number("step.wof_percent", math.Max(0, percent.low), percent.high)
		if !math.IsNaN(liquor.high) && (liquor.high > 0 || liquor.low == 0) {
			k.number("step.conc_g_per_l", liquor.low, liquor.high)
		}
	}
	// One salt alone is the module's own to convert.
	if salts := one.saltsOf(one.salts[material]); len(salts) > 1 && one.salts[material].GetCeilingSalt() != "" {
		if percent, _, known := one.together(salts, one.asCeiling); known {
			k.number("step.salts_wof_percent", math.Max(0, percent.low), percent.high)
		}
	}
}

// together adds materials up in each filling, each times its factor, and spans the fillings. Where known is false, that of one isn't known, and what is told is of the others: together they are no less.
func (one *bath) together(names []string, factor func(name string) (low, high float64)) (percent, liquor span, known bool) {
	known = len(one.scaled.GetLoads()) > 0
	for i, l := range one.scaled.GetLoads() {
		var inPercent, inLiquor span
		for _, name := range names {
			p, q, has := one.inLoad(l, name)
			if !has {
				known = false
				continue
			}
			low, high := factor(name)
			inPercent, inLiquor = inPercent.plus(span{p.low * low, p.high * high}), inLiquor.plus(span{q.low * low, q.high * high})
		}
		if i == 0 {
			percent, liquor = inPercent, inLiquor
			continue
		}
		percent, liquor = percent.over(inPercent), liquor.over(inLiquor)
	}
	return percent, liquor, known
}
