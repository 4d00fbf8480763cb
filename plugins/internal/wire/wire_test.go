package wire

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

func TestOrDefault(t *testing.T) {
	var v sdk.Violations
	assert.Equal(t, 5.0, OrDefault(&v, "x", 0, 5, 0.1, 100))
	assert.Equal(t, 0.1, OrDefault(&v, "x", 0.1, 5, 0.1, 100))
	assert.Equal(t, 100.0, OrDefault(&v, "x", 100, 5, 0.1, 100))
	require.Zero(t, v.Len())
	for _, x := range []float64{0.09, 100.1, -1, math.NaN(), math.Inf(1)} {
		before := v.Len()
		OrDefault(&v, "x", x, 5, 0.1, 100)
		assert.Equal(t, before+1, v.Len(), "%v", x)
	}
	assert.Equal(t, "is +Inf, want 0.1 to 100, or 0 for 5", moduletest.Refused(t, v.Err())["x"], "the last of them")
}

func TestFailed(t *testing.T) {
	assert.Equal(t, codes.Canceled, status.Code(Failed("header", context.Canceled)))
	assert.Equal(t, codes.DeadlineExceeded, status.Code(Failed("header", fmt.Errorf("after a while: %w", context.DeadlineExceeded))))
	assert.Equal(t, codes.Internal, status.Code(Failed("header", errors.New("a hull without a face"))))
	err := Failed("header", &colorimetry.FieldError{Field: "m", Value: "1", Allowed: "2 to 500"})
	assert.Equal(t, map[string]string{"header.m": "is 1, want 2 to 500"}, moduletest.Refused(t, err))
}
