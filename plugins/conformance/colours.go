package conformance

import (
	"math/rand/v2"

	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/proto"
)

// daylight is the condition of all questions: D65 and the 10 degree observer, which every module must know.
func daylight() *typesv1.ColourCondition {
	return &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}
}

// colour is one within which shifts of 20 and factors of 0.5 to 1.5 stay in the contract's ranges.
func colour(r *rand.Rand) *typesv1.Lab {
	return &typesv1.Lab{L: 20 + 60*r.Float64(), A: 120 * (r.Float64() - 0.5), B: 120 * (r.Float64() - 0.5)}
}

// badConditions are the faults of a condition; set puts one into a fresh question.
func badConditions(set func(*typesv1.ColourCondition) question) []refusal {
	unspecified := proto.CloneOf(daylight())
	unspecified.Illuminant = 0
	strange := proto.CloneOf(daylight())
	strange.Observer = 99
	return []refusal{
		{"condition is missing", set(nil), []string{"condition"}},
		{"condition.illuminant is not specified", set(unspecified), []string{"illuminant", "condition"}},
		{"condition.observer is 99", set(strange), []string{"observer", "condition"}},
	}
}
