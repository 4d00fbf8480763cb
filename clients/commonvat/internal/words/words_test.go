package words

import (
	"testing"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestWords(t *testing.T) {
	assert.Equal(t, "dye", Show(labv1.BathPurpose_BATH_PURPOSE_DYE))
	assert.Equal(t, "air dry", Show(typesv1.WeighingBasis_WEIGHING_BASIS_AIR_DRY))
	assert.Equal(t, NotStated, Show(labv1.PieceState_PIECE_STATE_UNSPECIFIED))
	assert.Equal(t, "unknown (99)", Show(labv1.PieceState(99)))
	for _, text := range []string{"a then b", "A-then-B", "a_then_b", " A then B "} {
		got, err := Parse[labv1.ExperimentArm](text)
		require.NoError(t, err)
		assert.Equal(t, labv1.ExperimentArm_EXPERIMENT_ARM_A_THEN_B, got)
	}
	for _, text := range []string{"", "unspecified", "soup"} {
		_, err := Parse[labv1.BathPurpose](text)
		assert.ErrorContains(t, err, "allowed: scour, mordant, tannin, dye, vat, modifier, rinse")
	}
}

func TestCondition(t *testing.T) {
	for _, text := range []string{"D65/10", "D65/2", "A/10", "A/2"} {
		c, err := Condition(text)
		require.NoError(t, err)
		assert.Equal(t, text, ShowCondition(c))
	}
	_, err := Condition("D65")
	assert.ErrorContains(t, err, "D65/10")
	assert.Empty(t, ShowCondition(nil))
}
