package conformance

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/sdk"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
)

// Fibres, dyestuffs and materials that every table for dyeing has.
var (
	mordantFibres = []string{"wool", "silk", "cotton", "linen", "hemp", "viscose", "alpaca", "mohair"}
	mordantDyes   = []string{"weld", "indigo", "madder", "cochineal"}
	mordantStore  = []string{"potassium alum", "cream of tartar", "tannin", "ferrous sulfate", "washing soda"}
)

// mordantQuestion asks for the first n fibres and the first m dyestuffs.
func mordantQuestion(n, m int, shift string) question {
	req := &mordantv1.SelectMordantsRequest{Fibres: mordantFibres[:n], Shift: shift, HardnessMgPerL: proto.Float64(120)}
	for _, d := range mordantDyes[:m] {
		req.Dyestuffs = append(req.Dyestuffs, &mordantv1.Dyestuff{Name: d})
	}
	return question{req}
}

func mordantV1() *contract {
	return &contract{
		name: "commonvat.module.mordant.v1", kind: sdk.KindMordant, method: mordantv1.MordantService_SelectMordants_FullMethodName,
		newReply: func() proto.Message { return &mordantv1.SelectMordantsResponse{} },
		plain: func(*rand.Rand, *module) []question {
			return []question{mordantQuestion(1, 1, ""), mordantQuestion(2, 2, ""), mordantQuestion(3, 3, "darker")}
		},
		largest: func(*module) question { return mordantQuestion(len(mordantFibres), len(mordantDyes), "darker") },
		beyond: func(*module) []refusal {
			q := mordantQuestion(1, 4, "")
			req := q[0].(*mordantv1.SelectMordantsRequest)
			req.Dyestuffs = append(req.Dyestuffs, &mordantv1.Dyestuff{Name: "lac"})
			return []refusal{{"dyestuffs has 5 entries", q, []string{"dyestuffs"}}}
		},
		tooBig: func(*module) question {
			q := mordantQuestion(1, 1, "")
			q[0].(*mordantv1.SelectMordantsRequest).Shift = strings.Repeat("x", sdk.MaxMessageBytes+1)
			return q
		},
		empty: func(*module) []refusal {
			return []refusal{{"the request is empty", question{&mordantv1.SelectMordantsRequest{}}, []string{"fibres", "dyestuffs"}}}
		},
		invalid: mordantInvalid,
		sound:   mordantSound,
		extra:   []extraStep{dataStep(func(q question, digest string) { q[0].(*mordantv1.SelectMordantsRequest).FactsSha256 = digest })},
		items:   oneItem,
		laws: map[describev1.Law]lawTrial{
			describev1.Law_LAW_ORDER_FREE:           mordantsInAnotherOrder,
			describev1.Law_LAW_REFUSED_NEVER_CHOSEN: refusedNeverChosen,
			describev1.Law_LAW_UNKNOWN_IS_ASKED:     unknownIsAsked,
		},
		expected: []describev1.Law{describev1.Law_LAW_ORDER_FREE, describev1.Law_LAW_REFUSED_NEVER_CHOSEN, describev1.Law_LAW_UNKNOWN_IS_ASKED},
	}
}

func mordantInvalid(*module) (out []refusal) {
	bad := func(what, name string, spoil func(*mordantv1.SelectMordantsRequest)) {
		q := mordantQuestion(1, 1, "").clone()
		req := q[0].(*mordantv1.SelectMordantsRequest)
		spoil(req)
		out = append(out, refusal{what, q, []string{name}})
	}
	bad("a shift that there isn't", "shift", func(q *mordantv1.SelectMordantsRequest) { q.Shift = "no such shift" })
	bad("a fibre twice", "fibres", func(q *mordantv1.SelectMordantsRequest) { q.Fibres = []string{"wool", "wool"} })
	bad("a dyestuff without a name", "name", func(q *mordantv1.SelectMordantsRequest) { q.Dyestuffs[0].Name = "" })
	bad("negative hardness", "hardness_mg_per_l", func(q *mordantv1.SelectMordantsRequest) { q.HardnessMgPerL = proto.Float64(-1) })
	bad("a digest that is none", "facts_sha256", func(q *mordantv1.SelectMordantsRequest) { q.FactsSha256 = "craft" })
	bad("201 things in the store", "store", func(q *mordantv1.SelectMordantsRequest) { q.Store = slices.Repeat([]string{"potassium alum"}, 201) })
	bad("51 refusals", "refused", func(q *mordantv1.SelectMordantsRequest) { q.Refused = slices.Repeat([]string{"potassium alum"}, 51) })
	bad("a dyestuff of 81 characters", "name", func(q *mordantv1.SelectMordantsRequest) { q.Dyestuffs[0].Name = strings.Repeat("x", 81) })
	return out
}

func mordantSound(_ *module, q question, a reply) error {
	asked, got := q[0].(*mordantv1.SelectMordantsRequest), a[0].(*mordantv1.SelectMordantsResponse)
	if len(got.GetQuestions()) > 0 {
		return nil // what it asks back is its own affair
	}
	if len(got.GetFibres()) != len(asked.GetFibres()) {
		return fmt.Errorf("fibres has %d entries for %d fibres", len(got.GetFibres()), len(asked.GetFibres()))
	}
	for i, f := range got.GetFibres() {
		if f.GetFibre() != asked.GetFibres()[i] {
			return fmt.Errorf("fibres[%d] is %q, want %q", i, f.GetFibre(), asked.GetFibres()[i])
		}
		for j, c := range f.GetChoices() {
			if len(c.GetReasons()) == 0 || len(c.GetSources()) == 0 || c.GetConfidence() == mordantv1.Confidence_CONFIDENCE_UNSPECIFIED {
				return fmt.Errorf("fibres[%d].choices[%d] has no reasons, no sources or no confidence", i, j)
			}
			for k, s := range c.GetSteps() {
				if n := int(s.GetBeforeDyestuff()); n < 1 || n > len(asked.GetDyestuffs())+1 {
					return fmt.Errorf("fibres[%d].choices[%d].steps[%d].before_dyestuff is %d, want 1 to %d", i, j, k, n, len(asked.GetDyestuffs())+1)
				}
				for _, m := range append([]*mordantv1.MordantMaterial{s.GetMaterial()}, s.GetWith()...) {
					if m.GetMaterial() == "" {
						return fmt.Errorf("fibres[%d].choices[%d].steps[%d] has a material without a name", i, j, k)
					}
				}
			}
		}
	}
	return nil
}
