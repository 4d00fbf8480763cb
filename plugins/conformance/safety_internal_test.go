package conformance

import (
	"testing"

	"github.com/stretchr/testify/assert"

	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
)

// Two packs may each have a rule of one name: of each what it finds is held against what it found.
func TestRulesOfTwoPacksAreTwo(t *testing.T) {
	answer := func(ofFirst safetyv1.Severity) reply {
		return reply{&safetyv1.JudgeStepsResponse{Steps: []*safetyv1.StepFindings{{StepId: "a", Findings: []*safetyv1.Finding{
			{RuleId: "S1", PackSha256: "first", Severity: ofFirst}, {RuleId: "S1", PackSha256: "second", Severity: safetyv1.Severity_SEVERITY_NOTE},
		}}}}}
	}
	milder := func(a, b reply) (n int) {
		for _, c := range foundAgain(a, b) {
			if *c.got < *c.want {
				n++
			}
		}
		return n
	}
	stop, caution := answer(safetyv1.Severity_SEVERITY_STOP), answer(safetyv1.Severity_SEVERITY_CAUTION)
	assert.Zero(t, milder(stop, stop))
	assert.Equal(t, 1, milder(stop, caution))
}
