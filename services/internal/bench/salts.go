package bench

import (
	"fmt"
	"maps"
	"slices"
	"strings"

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
		if s == nil || said[s.GetMetal()] || len(of) < 2 || len(of) == len(one.same[of[0]]) { // of one material that is told already
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
		one.out.Remarks = append(one.out.Remarks, text)
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
