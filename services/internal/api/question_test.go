package api_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"google.golang.org/protobuf/proto"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/api/filter"
	"github.com/commonvat/commonvat/services/internal/pool"
)

// The longest answer that the pool gives is sent together with the longest question.
func TestTheLongestAnswerIsSentWithItsQuestion(t *testing.T) {
	question := &poolv1.AskPaletteRequest{
		GroupBy: poolv1.GroupBy_GROUP_BY_WATER, Filter: strings.Repeat("\U0001F9F6", filter.MaxLength), ExperimentId: strings.Repeat("e", 36), ThresholdDe00: 2.5, EqualNumber: 10_000,
		Condition:       &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE},
		MinimumRevision: math.MaxInt64, Seed: math.MaxUint64,
	}
	answer := &poolv1.AskPaletteResponse{Headline: strings.Repeat("h", pool.DefaultMaxAnswerBytes)}
	answer.Headline = answer.Headline[:2*pool.DefaultMaxAnswerBytes-proto.Size(answer)]
	assert.Equal(t, pool.DefaultMaxAnswerBytes, proto.Size(answer))
	answer.Question = question
	assert.LessOrEqual(t, proto.Size(answer), api.MaxSendBytes)
}
