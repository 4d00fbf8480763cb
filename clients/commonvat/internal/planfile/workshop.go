package planfile

import (
	"fmt"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// ParseWorkshop reads a workshop. Errors are *document.Error.
func ParseWorkshop(data []byte) (*benchv1.Workshop, error) {
	root, err := document.Parse(data)
	if err != nil {
		return nil, err
	}
	r := &reader{}
	f := r.faults.Fields(root, "")
	w := &benchv1.Workshop{
		SmallVolumeUncertaintyMl: 1000 * figure(f, "small_volume_uncertainty", quantity.Volume, false), FlaskUncertaintyPercent: number(f, "flask_uncertainty_percent"), Answers: r.answers(f),
	}
	for i, n := range f.List("vessels") {
		v := r.faults.Fields(n, fmt.Sprintf("vessels[%d]", i))
		one := &benchv1.Vessel{Name: v.Text("name"), Litres: figure(v, "volume", quantity.Volume, false), Answers: r.answers(v)}
		if one.GetName() == "" {
			v.Fault("name", "is required")
		}
		v.Close()
		w.Vessels = append(w.Vessels, one)
	}
	for i, n := range f.List("balances") {
		b := r.faults.Fields(n, fmt.Sprintf("balances[%d]", i))
		w.Balances = append(w.Balances, &benchv1.Balance{StepG: mass(b, "step", true), CapacityG: mass(b, "capacity", false)})
		b.Close()
	}
	byName := map[string]*benchv1.ShelfMaterial{}
	for i, n := range f.List("shelf") {
		s := r.faults.Fields(n, fmt.Sprintf("shelf[%d]", i))
		r.shelf(s, w, byName)
		s.Close()
	}
	f.Close()
	return w, r.faults.Err()
}

// shelf reads what holds for one material, or for several; later entries add to what earlier ones say of the same material.
func (r *reader) shelf(f *document.Fields, w *benchv1.Workshop, byName map[string]*benchv1.ShelfMaterial) {
	names, answers := f.Texts("materials"), r.answers(f)
	if len(names) == 0 {
		f.Fault("materials", "is required: a name, or a list of names")
	}
	for _, name := range names {
		one := byName[name]
		if one == nil {
			one = &benchv1.ShelfMaterial{Material: name}
			byName[name] = one
			w.Shelf = append(w.Shelf, one)
		}
		for _, a := range answers {
			for _, before := range one.GetAnswers() {
				if before.GetField() == a.GetField() {
					f.Fault("answers", "%s of %q is answered above already", a.GetField(), name)
				}
			}
			one.Answers = append(one.Answers, a)
		}
	}
}
