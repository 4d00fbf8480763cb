package bench

import (
	"slices"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// The fields by which a member tells what a material is that no table knows.
const (
	kindsField  = "material.classes"
	sameAsField = "material.same_as"
)

// toldOf is what is told of a material that a safety module doesn't know, wherever in the plan.
type toldOf struct {
	// kinds are its classes; whole is true where they are told, or follow from what it is the same as, and nobody doubts them.
	kinds inventory
	// sameAs are known names of it.
	sameAs []string
}

// tellStrange gathers what is told of materials in baths that a module doesn't know. What is told of one counts for every bath that it is in: the bleach that somebody calls by its trade name is
// bleach for the acid beside it, whatever is told of the bath. Of what is the same as something that every module knows the kinds are that one's, which stands in the bath beside it.
func (d *draft) tellStrange(strange map[string]bool) {
	d.strange, d.notKnown = strange, map[string]*toldOf{}
	for _, one := range d.baths {
		for _, name := range one.inIt() {
			if !strange[name] {
				continue
			}
			if d.notKnown[name] == nil {
				d.notKnown[name] = &toldOf{}
			}
			of, told := d.notKnown[name], d.told(one, name)
			if classes, ok := told[kindsField].GetValue().(*benchpb.Answer_Texts); ok {
				of.kinds.add(true, classes.Texts.GetValues()...)
				of.kinds.whole = of.kinds.whole || !told[kindsField].GetDoubtful()
			}
			for _, same := range told[sameAsField].GetTexts().GetValues() {
				if same == "none" {
					continue
				}
				if !contains(of.sameAs, same) {
					of.sameAs = append(of.sameAs, same)
				}
				notKnown, asked := strange[same]
				of.kinds.whole = of.kinds.whole || asked && !notKnown && !told[sameAsField].GetDoubtful()
			}
		}
	}
}

// tell adds to facts a list of materials, under their known names too, and the kinds of those that a module doesn't know. Of what no module was asked about, as of what taken pieces met before, nobody knows
// whether it is known.
func (d *draft) tell(k known, list inventory, materials, kinds string) {
	named, of, some := inventory{whole: list.whole}, inventory{whole: list.whole}, false
	named.add(true, list.materials...)
	for _, name := range list.materials {
		_, asked := d.strange[name]
		of.add(asked)
		if told := d.notKnown[name]; told != nil {
			some = true
			named.add(true, told.sameAs...)
			of.add(told.kinds.whole, told.kinds.materials...)
		}
	}
	named.texts(k, materials)
	if some && (of.whole || len(of.materials) > 0) {
		of.texts(k, kinds)
	}
}

// strangeIron reports whether a material that a safety module doesn't know is a salt of iron by what is told of it, and whether it may be one, since of which kind it is wasn't told.
func (d *draft) strangeIron(name string) (is, may bool) {
	told := d.notKnown[name]
	if told == nil {
		return false, false
	}
	is = contains(told.kinds.materials, saltClass(iron)) || slices.ContainsFunc(told.sameAs, func(same string) bool { return d.metals[same] == iron })
	return is, !is && !told.kinds.whole
}
