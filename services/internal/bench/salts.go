package bench

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
)

// tellSalts notes which materials of a bath are salts of a metal; what one safety module knows of a material, another doesn't change.
func (one *bath) tellSalts(salts map[string]*safetyv1.MetalSalt) {
	for _, name := range one.inIt() {
		if s := salts[name]; s != nil && one.salts[name] == nil {
			if one.salts == nil {
				one.salts = map[string]*safetyv1.MetalSalt{}
			}
			one.salts[name] = s
		}
	}
}

// saltsOf names the salts in a bath that are of the same metal, in the bath's order, as far as their percentages go by the same one.
func (one *bath) saltsOf(s *safetyv1.MetalSalt) (names []string) {
	for _, name := range one.inIt() {
		if other := one.salts[name]; s != nil && other.GetMetal() == s.GetMetal() && other.GetCeilingSalt() == s.GetCeilingSalt() && other.GetCeilingSaltPercent() == s.GetCeilingSaltPercent() {
			names = append(names, name)
		}
	}
	return names
}

// metals are those of which a bath holds a salt, sorted.
func (one *bath) metals() []string {
	all := map[string]bool{}
	for _, s := range one.salts {
		all[s.GetMetal()] = true
	}
	return slices.Sorted(maps.Keys(all))
}

// saltsTogether says which salts of a bath are of one metal, each with its share of it, and whether they were added up.
func (one *bath) saltsTogether() {
	said := map[string]bool{}
	for _, name := range one.inIt() {
		s := one.salts[name]
		of := one.saltsOf(s)
		if s == nil || said[s.GetMetal()] || len(of) < 2 {
			continue
		}
		alike := !slices.ContainsFunc(of, func(other string) bool { return shareOf(one.salts[other]) != shareOf(s) })
		if alike && len(of) == len(one.same[of[0]]) { // of one material that is told already
			continue
		}
		said[s.GetMetal()] = true
		told := make([]string, len(of))
		for i, other := range of {
			told[i] = fmt.Sprintf("%q (%s %% %s)", other, shareOf(one.salts[other]), s.GetMetal())
		}
		text := strings.Join(told, " and ") + " are salts of " + s.GetMetal()
		if s.GetCeilingSalt() == "" {
			text += ", of which no source gives a ceiling: they are not added up"
		} else {
			text += fmt.Sprintf(": by their metal they are held against the rules together, as so much %s", s.GetCeilingSalt())
		}
		one.remark("%s", text)
	}
}

func shareOf(s *safetyv1.MetalSalt) string {
	low, high := fmt.Sprintf("%.3g", s.GetLowPercent()), fmt.Sprintf("%.3g", s.GetHighPercent())
	if low == high {
		return low
	}
	return low + " to " + high
}

// saltsOverBaths says of which metal the same pieces get salts in several baths: the ceilings that are published are of one bath.
func (d *draft) saltsOverBaths() {
	of := map[string][]*bath{} // by metal
	for _, one := range d.baths {
		for _, metal := range one.metals() {
			of[metal] = append(of[metal], one)
		}
	}
	for _, metal := range slices.Sorted(maps.Keys(of)) {
		var names []string
		for i, one := range of[metal] {
			if slices.ContainsFunc(of[metal], func(other *bath) bool { return other != of[metal][i] && sharePieces(one, other) }) {
				names = append(names, one.plan.GetName())
			}
		}
		if len(names) > 1 {
			d.remark("the same pieces get salts of %s in the baths %s: ceilings are published of one bath, so what is in several is not added up", metal, quotedList(names))
		}
	}
}

func sharePieces(a, b *bath) bool {
	return slices.ContainsFunc(a.out.GetPieces(), func(label string) bool { return contains(b.out.GetPieces(), label) })
}

// tellForms says of materials in a bath that their names don't tell how much of the substance is in what is weighed, and what they count as.
func (one *bath) tellForms(toldApart map[string]string) {
	names, _ := one.materials()
	for _, name := range names {
		apart, s := toldApart[name], one.salts[name]
		var said []string
		if apart != "" {
			said = append(said, fmt.Sprintf("the name %q doesn't say which it is: %s", name, apart))
		}
		if s.GetCeilingSalt() != "" && s.GetLowPercent() < s.GetHighPercent() {
			said = append(said, fmt.Sprintf("held against the rules, %q counts with %s %% %s, and the most decides", name, shareOf(s), s.GetMetal()))
		}
		if len(said) > 0 {
			one.remark("%s", strings.Join(said, "; "))
		}
	}
}

// asCeiling is how much of the salt that ceilings count stands for a gram of a material; 1 of what no module knows as a salt with a ceiling.
func (one *bath) asCeiling(name string) (low, high float64) {
	s := one.salts[name]
	if s.GetCeilingSalt() == "" {
		return 1, 1
	}
	return s.GetLowPercent() / s.GetCeilingSaltPercent(), s.GetHighPercent() / s.GetCeilingSaltPercent()
}

// saltClass is the word for salts of a metal among the classes of materials.
func saltClass(metal string) string {
	if metal == "aluminium" {
		return "alum"
	}
	return metal + "_salt"
}

// noLessThanTogether has what was told of a salt's figure with the others of its metal count for no less than all weighs that is told, or known by a module, to be of its class: half of
// it under each of two names, of which no module knows both, would else pass as half. That is doubtful then, so that it clears nothing; and so is any figure where nobody knows how much there is of one of
// them, since what is known is the least that they can be together.
func (d *draft) noLessThanTogether(one *bath, material string, k, told known) {
	const field = "step.salts_wof_percent"
	figure, ok := told[field].GetValue().(*benchpb.Answer_Number)
	if !ok || k[field] != told[field] {
		return
	}
	classes := told["material.classes"].GetTexts().GetValues()
	var of []string
	for _, name := range one.inIt() {
		s := one.salts[name]
		if name == material || s != nil && contains(classes, saltClass(s.GetMetal())) ||
			slices.ContainsFunc(d.told(one, name)["material.classes"].GetTexts().GetValues(), func(class string) bool { return contains(classes, class) }) {
			of = append(of, name)
		}
	}
	together, _, known := one.together(of, one.asCeiling)
	if len(of) < 2 || known && figure.Number.GetHigh() >= together.high && figure.Number.GetLow() >= together.low {
		return
	}
	k.number(field, max(together.low, figure.Number.GetLow()), max(together.high, figure.Number.GetHigh()))
	k[field].Doubtful = true
	if known {
		one.remark("of %s less is told than they weigh together, and they are of one kind by what is told or known of them: tell step.salts_wof_percent of each with all the others, or plan them in baths of their own", quotedList(of))
		return
	}
	one.remark("of %s, which are of one kind by what is told or known of them, one amount isn't known: what is told of them together is doubtful until it is", quotedList(of))
}
