package bathscale

import (
	"fmt"

	"github.com/commonvat/commonvat/plugins/bathscale/amounts"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
)

// What a vat's reduction is judged by. Another hydrate of the salt has another mass for the same iron: of one that isn't told nothing is said.
const (
	indigo         = "indigo"
	ferrousSulfate = "ferrous sulfate heptahydrate"
)

// reduction sets beside the ferrous sulfate of a filling what the dye in its indigo takes at least, and says how the two compare; "" where one of them isn't known.
func reduction(r *recipe, load *bathscalev1.LoadAmounts) string {
	if r.m.GetExhaustOf() != "" { // what is left of the dye, and in which state, isn't known
		return ""
	}
	var dyeG float64
	var iron *bathscalev1.MaterialAmount
	for k, a := range load.GetAmounts() {
		switch {
		case a.GetNotKnown() != "":
		case a.GetMaterial() == indigo && r.doses[k].Form == amounts.Impure:
			dyeG = a.GetMeantG()
		case a.GetMaterial() == indigo:
			dyeG = a.GetMeantG() * r.m.GetIndigoPurityPercent() / 100
		case a.GetMaterial() == ferrousSulfate:
			iron = a
		}
	}
	if dyeG == 0 || iron.GetMeantG() == 0 {
		return ""
	}
	least := amounts.FerrousSulfateLeastG(dyeG)
	iron.LeastG = &least
	return fmt.Sprintf("the ferrous sulfate is %.2f times what reducing the dye takes at least, air not counted", iron.GetMeantG()/least)
}
