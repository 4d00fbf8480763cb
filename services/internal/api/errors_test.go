package api

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/labv1"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func TestErrorTable(t *testing.T) {
	secret := errors.New("open /srv/secret.db: SQL logic error")
	for _, c := range []struct {
		err    error
		code   codes.Code
		reason string
	}{
		{&trial.FieldFault{Field: "a", Text: "b"}, codes.InvalidArgument, "INVALID_FIELD"},
		{trial.Faults{{Field: "a", Text: "b"}}, codes.InvalidArgument, "INVALID_FIELD"},
		{fmt.Errorf("x: %w", trial.ErrRequestReused), codes.InvalidArgument, "REQUEST_ID_REUSED"},
		{fmt.Errorf("x: %w", trial.ErrNotFound), codes.NotFound, "NOT_FOUND"},
		{trial.ErrExists, codes.AlreadyExists, "ID_IN_USE"},
		{trial.ErrForbidden, codes.PermissionDenied, "NOT_ALLOWED"},
		{&trial.Impossible{PieceID: "p", Text: "t"}, codes.FailedPrecondition, "IMPOSSIBLE_HISTORY"},
		{trial.ErrConflict, codes.FailedPrecondition, "CONFLICT"},
		{&trial.StaleError{Kind: "trial", ID: "t"}, codes.Aborted, "STALE_ETAG"},
		{&labv1.StaleFault{StaleError: &trial.StaleError{Kind: "trial", ID: "t"}}, codes.Aborted, "STALE_ETAG"},
		{fmt.Errorf("trial t: %w", trial.ErrNotDeleted), codes.AlreadyExists, "NOT_DELETED"},
		{fmt.Errorf("%w: %w", access.ErrUnauthenticated, secret), codes.Unauthenticated, "UNAUTHENTICATED"},
		{labv1.ErrRevisionAhead, codes.OutOfRange, "REVISION_AHEAD"},
		{labv1.ErrStopping, codes.Unavailable, "STOPPING"},
		{fmt.Errorf("%w: %w", store.ErrUnavailable, secret), codes.Unavailable, "STORE_UNAVAILABLE"},
		{&catalog.ModuleUnavailableError{Name: "m", State: catalog.StateBackoff}, codes.Unavailable, "MODULE_UNAVAILABLE"},
		{catalog.ErrNoModule, codes.Unavailable, "NO_MODULE"},
		{&pipeline.ModuleError{Kind: "palette", Class: pipeline.ErrModuleTooSlow, Cause: context.DeadlineExceeded}, codes.DeadlineExceeded, "MODULE_TOO_SLOW"},
		{&pipeline.ModuleError{Kind: "palette", Class: pipeline.ErrModuleUnavailable}, codes.Unavailable, "MODULE_UNAVAILABLE"},
		{&pipeline.ModuleError{Kind: "palette", Class: pipeline.ErrModuleAnswer, Cause: status.Error(codes.Internal, "x")}, codes.Internal, "MODULE_ANSWER_REFUSED"},
		{&pipeline.ModuleError{Kind: "palette", Class: pipeline.ErrModuleRefused}, codes.FailedPrecondition, "MODULE_REFUSED"},
		{pipeline.ErrTooLarge, codes.InvalidArgument, "QUESTION_TOO_LARGE"},
		{&pool.BehindError{Have: 1, Want: 2}, codes.Unavailable, "POOL_BEHIND"},
		{pool.ErrUnusable, codes.FailedPrecondition, "UNUSABLE"},
		{context.Canceled, codes.Canceled, "CANCELLED"},
		{fmt.Errorf("%w: %w", context.DeadlineExceeded, secret), codes.DeadlineExceeded, "DEADLINE_EXCEEDED"},
		{secret, codes.Internal, "INTERNAL"},
		{&store.PanicError{Value: secret}, codes.Internal, "INTERNAL"},
		{status.Error(codes.Internal, "made by "+secret.Error()), codes.Internal, "INTERNAL"},
	} {
		st, reason, _ := toStatus(c.err, "r1")
		assert.Equal(t, c.code, st.Code(), "%v", c.err)
		assert.Equal(t, c.reason, reason, "%v", c.err)
		assert.NotContains(t, prototext.Format(st.Proto()), "secret", "%v", c.err)
		assert.NotEmpty(t, st.Message())
		assert.Contains(t, st.Details()[1].(*errdetails.RequestInfo).GetRequestId(), "r1")
	}
}

// Every fault of the table is told by a reason of the form that google.rpc.ErrorInfo asks for, each once.
func TestReasons(t *testing.T) {
	form := regexp.MustCompile(`^[A-Z][A-Z0-9_]+[A-Z0-9]$`)
	seen := map[string]bool{}
	for _, m := range table {
		assert.Regexp(t, form, m.reason)
		assert.False(t, seen[m.reason], m.reason)
		seen[m.reason] = true
	}
}

func TestOnlyUnexpectedFaultsAreLoggedWhole(t *testing.T) {
	_, _, unexpected := toStatus(errors.New("disk on fire"), "r")
	assert.True(t, unexpected)
	_, _, unexpected = toStatus(trial.ErrNotFound, "r")
	assert.False(t, unexpected)
}

// A status that was made on purpose is passed on with the request's id.
func TestMadeStatusIsPassedOn(t *testing.T) {
	st, _, unexpected := toStatus(status.Error(codes.ResourceExhausted, "later"), "r1")
	assert.Equal(t, codes.ResourceExhausted, st.Code())
	assert.Equal(t, "later", st.Message())
	assert.False(t, unexpected)
	assert.Equal(t, "r1", st.Details()[0].(*errdetails.RequestInfo).GetRequestId())
}

func TestViolationsFitIntoAHeader(t *testing.T) {
	var faults trial.Faults
	for i := range 5000 {
		faults = append(faults, &trial.FieldFault{Field: fmt.Sprintf("trial.looks[%d].text", i), Text: strings.Repeat("ü", 60)})
	}
	st, _, _ := toStatus(fmt.Errorf("request: %w", errors.Join(faults)), "r")
	assert.Less(t, proto.Size(st.Proto()), 8<<10)
	bad := st.Details()[2].(*errdetails.BadRequest).GetFieldViolations()
	require.Greater(t, len(bad), 20)
	assert.Equal(t, "trial.looks[0].text", bad[0].GetField())
	assert.Equal(t, moreFaults(5000-len(bad)+1), bad[len(bad)-1].GetDescription())
}

func TestEveryViolationIsListed(t *testing.T) {
	st, _, _ := toStatus(trial.Faults{{Field: "a", Text: "x"}, {Field: "b", Text: "y"}}, "r")
	bad := st.Details()[2].(*errdetails.BadRequest).GetFieldViolations()
	require.Len(t, bad, 2)
	assert.Equal(t, "b", bad[1].GetField())
	assert.Equal(t, "y", bad[1].GetDescription())
}

// A token in the wrong field isn't repeated, nor a part of one.
func TestTokensAreTakenOutOfFaults(t *testing.T) {
	fault := trial.Faults{{Field: "trial_id", Text: `"cvat_aaaaaaaaaaaaaaaa_bbbbbbbbbbb"... is malformed`}}
	st, _, _ := toStatus(fault, "1")
	text := st.Proto().String()
	assert.NotContains(t, text, "bbbb")
	assert.Contains(t, text, "[a token]")
	assert.Equal(t, `member [a token] isn't there`, withoutTokens("member CVAT_AAAA_bbbb_00 isn't there"))
	assert.Equal(t, "cvat", withoutTokens("cvat"))
}
