package bench

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// nameMaterials finds what stands in one bath under several names, and which of it are salts of one metal, as any of the safety modules knows them, so that no limit is passed by
// writing half of a material under another name; and which metals the plan's vessels held. A module that can't be asked hasn't checked the plan.
func (b *Bench) nameMaterials(ctx context.Context, d *draft) error {
	names, whole := d.names()
	if !whole {
		d.unchecked = append(d.unchecked, fmt.Sprintf("not checked: the plan's baths, and what its vessels held, have more than %d names of materials, and no module is asked about more: make several plans of it, or tell the vessels anew", maxNames))
	}
	if len(names) == 0 {
		return nil
	}
	q := &safetyv1.NameMaterialsRequest{Names: names}
	var firsts []map[string]string // first names, of each module
	strange := map[string]bool{}
	d.metals = map[string]string{}
	for _, module := range b.safety() {
		r, _, err := b.modules.NameMaterials(ctx, module, q)
		var fault *pipeline.ModuleError
		switch {
		case errors.As(err, &fault):
			d.unchecked = append(d.unchecked, "not checked by "+module+": "+fault.Reason)
			continue
		case err != nil:
			return err
		}
		first, metal, salts, apart := map[string]string{}, map[string]string{}, map[string]*safetyv1.MetalSalt{}, map[string]string{}
		for i, name := range q.GetNames() {
			m := r.GetMaterials()[i]
			first[name], metal[name], salts[name], apart[name] = m.GetFirstName(), m.GetMetal(), m.GetSalt(), m.GetToldApart()
			strange[name] = strange[name] || m.GetNotKnown()
			if m.GetMetal() != "" && d.metals[name] == "" {
				d.metals[name] = m.GetMetal()
			}
		}
		firsts = append(firsts, first)
		for _, one := range d.baths {
			one.join(first)
			one.tellSalts(salts)
			one.tellForms(apart)
		}
		d.tellMetals(metal)
		d.askOfPlanned(metal)
	}
	for _, one := range d.baths {
		said := map[string]bool{}
		for _, name := range one.inIt() {
			if same := one.same[name]; len(same) > 1 && !said[name] {
				one.remark("%s are one material: its amounts are added up before they are held against the rules", quotedList(same))
				for _, other := range same {
					said[other] = true
				}
			}
		}
		one.saltsTogether()
	}
	d.saltsOverBaths()
	d.findOnShelf(firsts)
	d.tellStrange(strange)
	return nil
}

// maxNames bounds the names that a module is asked about, as the contract has it.
const maxNames = 2000

// maxNameChars bounds each of them; an answer may be longer.
const maxNameChars = 80

// names are those that modules are asked about, each once; whole is false when there are more. Those of the shelf come last and may be left out, since nothing is less safe without.
func (d *draft) names() (names []string, whole bool) {
	seen, whole := map[string]bool{}, true
	ask := func(more ...string) {
		for _, name := range more {
			switch {
			case seen[name]:
			case len(names) == maxNames:
				whole = false
			default:
				seen[name], names = true, append(names, name)
			}
		}
	}
	for _, one := range d.baths {
		ask(one.inIt()...)
		for _, name := range one.inIt() { // whether what it is told to be is known
			for _, same := range d.told(one, name)[sameAsField].GetTexts().GetValues() {
				if n := utf8.RuneCountInString(same); n >= 1 && n <= maxNameChars {
					ask(same)
				}
			}
		}
	}
	for _, vessel := range slices.Sorted(maps.Keys(d.uses)) {
		for _, use := range d.uses[vessel] {
			ask(use.GetMaterials()...)
		}
	}
	for _, use := range d.planned {
		ask(use.materials...)
	}
	needed := whole
	for _, m := range d.workshop.GetShelf() {
		ask(m.GetMaterial())
	}
	return names, needed
}

// findOnShelf finds what is kept of a material under another of its names, so that nothing is asked twice. All modules that say names have to say that it is one material, and
// only one entry of the shelf may be of it.
func (d *draft) findOnShelf(firsts []map[string]string) {
	d.keptAs = map[string]string{}
	if len(firsts) == 0 {
		return
	}
	for _, one := range d.baths {
		for _, material := range one.inIt() {
			var as []string
			for _, m := range d.workshop.GetShelf() {
				if !slices.ContainsFunc(firsts, func(first map[string]string) bool {
					return first[material] == "" || first[material] != first[m.GetMaterial()]
				}) {
					as = append(as, m.GetMaterial())
				}
			}
			if len(as) == 1 && as[0] != material && d.keptAs[material] == "" {
				d.keptAs[material] = as[0]
				d.remark("what the workshop says of %q counts for %q: it is one material", as[0], material)
			}
		}
	}
}

func quotedList(names []string) string {
	quoted := make([]string, len(names))
	for i, name := range names {
		quoted[i] = fmt.Sprintf("%q", name)
	}
	return strings.Join(quoted, " and ")
}

// join puts names of a bath together that have one first name.
func (one *bath) join(first map[string]string) {
	names := one.inIt()
	for i, a := range names {
		for _, other := range names[i+1:] {
			if first[a] == "" || first[a] != first[other] || slices.Contains(one.same[a], other) {
				continue
			}
			if one.same == nil {
				one.same = map[string][]string{}
			}
			var all []string
			for _, name := range names { // in the order of the bath
				if name == a || name == other || contains(one.same[a], name) || contains(one.same[other], name) {
					all = append(all, name)
				}
			}
			for _, name := range all {
				one.same[name] = all
			}
		}
	}
}
