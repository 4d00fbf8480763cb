package materials

import (
	"slices"

	"github.com/commonvat/commonvat/plugins/safety/rules"
)

// Salt is what a material brings of a metal that mordants.
type Salt struct {
	Metal string
	// LowPercent and HighPercent of its mass are the metal; range above 0 to 100.
	LowPercent, HighPercent float64
	// CeilingSalt is the salt in percent of which ceilings of the metal are published, and CeilingSaltPercent the metal in percent of its mass; empty and 0 of a
	// metal of which no ceiling is known.
	CeilingSalt        string
	CeilingSaltPercent float64
}

// saltsOf are the metals of classes of salts, and the salts in percent of which their ceilings are published: iron on several sellers' pages on iron, alum by E. Mairet (1916) and two
// US suppliers. None is known here of copper and tin.
var saltsOf = []struct{ class, metal, ceiling string }{
	{"alum", "aluminium", "potassium alum"}, {"iron_salt", "iron", "ferrous sulfate"}, {"copper_salt", "copper", ""}, {"tin_salt", "tin", ""},
}

// Salt tells the metal of a salt; ok is false of what is none, or of which nobody knows how much metal it holds.
func (m Material) Salt() (s Salt, ok bool) {
	for _, of := range saltsOf {
		if len(m.MetalPercent) == 0 || !slices.Contains(m.Classes, of.class) {
			continue
		}
		s = Salt{Metal: of.metal, LowPercent: slices.Min(m.MetalPercent), HighPercent: slices.Max(m.MetalPercent)}
		if of.ceiling != "" {
			s.CeilingSalt, s.CeilingSaltPercent = of.ceiling, byName[of.ceiling].MetalPercent[0]
		}
		return s, true
	}
	return s, false
}

const saltsField = "step.salts_wof_percent"

// salts counts a salt by its metal as the one that ceilings are published of, where no other salt of that metal is in the bath: with another one, nobody but the plan knows how much
// of it there is. What is told is no less than the salt itself. A material that the table doesn't know counts as it is, and that is doubtful: it may hold more metal. The names of the
// material and of what is in its bath are as they were told, since forms of one material differ in the metal that they hold.
func salts(facts rules.Facts, id, bath rules.Fact) {
	percent, ok := facts["step.wof_percent"]
	if !ok || percent.Number == nil {
		return
	}
	out := rules.Fact{Number: &rules.Interval{Low: percent.Number.Low, Likely: percent.Number.Likely, High: percent.Number.High}}
	// What it is, or what else is in the bath, may be otherwise than is believed.
	out.Doubtful = percent.Doubtful || id.Doubtful || bath.Doubtful || bath.Texts == nil
	var m Material
	var s Salt
	known, isSalt, others, forms := false, false, false, false
	if len(id.Texts) == 1 {
		m, known = Find(id.Texts[0])
		s, isSalt = m.Salt()
	}
	out.Doubtful = out.Doubtful || !known
	for _, name := range bath.Texts {
		other, _ := Find(name)
		o, salt := other.Salt()
		switch {
		case !isSalt || !salt || o.Metal != s.Metal:
		case other.Name != m.Name:
			others = true
		case o != s: // the plan adds up what both weigh
			forms = true
			s.LowPercent, s.HighPercent = min(s.LowPercent, o.LowPercent), max(s.HighPercent, o.HighPercent)
		}
	}
	told, ok := facts[saltsField]
	if s.CeilingSalt != "" {
		low, high := s.LowPercent/s.CeilingSaltPercent, s.HighPercent/s.CeilingSaltPercent
		if ok && forms { // the plan knows how much of each form there is
			high = low
		}
		out.Number.Low, out.Number.Likely, out.Number.High = out.Number.Low*low, out.Number.Likely*(low+high)/2, out.Number.High*high
	}
	out.Number.High = min(out.Number.High, 10_000) // what the field takes
	out.Number.Likely, out.Number.Low = min(out.Number.Likely, out.Number.High), min(out.Number.Low, out.Number.High)
	switch {
	case ok && isSalt && s.CeilingSalt == "": // no ceiling to hold it against
	case ok:
		facts[saltsField] = atLeast(told, out)
	case !others:
		facts[saltsField] = out
	}
}

// atLeast is what was told of a figure, and no less than what is known to be in it.
func atLeast(told, known rules.Fact) rules.Fact {
	if told.Number == nil || told.Number.Low >= known.Number.Low && told.Number.High >= known.Number.High {
		return told
	}
	return rules.Fact{Doubtful: told.Doubtful || known.Doubtful, Number: &rules.Interval{
		Low: max(told.Number.Low, known.Number.Low), Likely: max(told.Number.Likely, known.Number.Likely), High: max(told.Number.High, known.Number.High),
	}}
}
