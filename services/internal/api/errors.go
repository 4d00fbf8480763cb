package api

import (
	"context"
	"errors"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"

	"github.com/commonvat/commonvat/services/internal/api/labv1"
	"github.com/commonvat/commonvat/services/internal/api/limits"
)

// errorDomain is the domain of google.rpc.ErrorInfo.
const errorDomain = "commonvat"

// Faults that arise in this package itself.
var errInternal = errors.New("internal fault")

// How much a refusal may list. It travels in a header, and some clients take no more than 8 KiB of headers.
const (
	maxViolations     = 100
	maxViolationBytes = 5 << 10
	maxMessageBytes   = 1 << 10
)

// meaning is what a fault becomes for the caller.
type meaning struct {
	fault  error
	code   codes.Code
	reason string // of google.rpc.ErrorInfo; part of the interface, never renamed
	// text replaces the fault's own where that may name files or drivers; "" keeps the fault's own.
	text string
}

// table is the one place where faults become codes. The first entry that matches counts.
var table = []meaning{
	{trial.ErrRequestReused, codes.InvalidArgument, "REQUEST_ID_REUSED", ""},
	{trial.ErrInvalid, codes.InvalidArgument, "INVALID_FIELD", ""},
	{trial.ErrNotFound, codes.NotFound, "NOT_FOUND", ""},
	{trial.ErrExists, codes.AlreadyExists, "ID_IN_USE", ""},
	{trial.ErrStale, codes.Aborted, "STALE_ETAG", ""},
	{trial.ErrNotDeleted, codes.AlreadyExists, "NOT_DELETED", ""},
	{trial.ErrForbidden, codes.PermissionDenied, "NOT_ALLOWED", ""},
	{trial.ErrImpossible, codes.FailedPrecondition, "IMPOSSIBLE_HISTORY", ""},
	{trial.ErrConflict, codes.FailedPrecondition, "CONFLICT", ""},
	{access.ErrUnauthenticated, codes.Unauthenticated, "UNAUTHENTICATED", "no valid token was given"},
	{limits.ErrRateLimited, codes.ResourceExhausted, "RATE_LIMITED", ""},
	{limits.ErrBusy, codes.ResourceExhausted, "BUSY", ""},
	{limits.ErrTooManyWatches, codes.ResourceExhausted, "TOO_MANY_WATCHES", ""},
	{errStalled, codes.Unavailable, "READER_STALLED", "nothing was taken from the stream for too long; ask again from the last revision received"},
	{labv1.ErrRevisionAhead, codes.OutOfRange, "REVISION_AHEAD", ""},
	{labv1.ErrStopping, codes.Unavailable, "STOPPING", "the core is stopping; ask again from the last revision received"},
	{store.ErrUnavailable, codes.Unavailable, "STORE_UNAVAILABLE", "the store takes no changes now; the same request may be sent again"},
	{catalog.ErrNoModule, codes.Unavailable, "NO_MODULE", ""},
	{pipeline.ErrTooLarge, codes.InvalidArgument, "QUESTION_TOO_LARGE", ""},
	{pipeline.ErrModuleTooSlow, codes.DeadlineExceeded, "MODULE_TOO_SLOW", ""}, // not UNAVAILABLE, by which clients ask again at once
	{pipeline.ErrModuleUnavailable, codes.Unavailable, "MODULE_UNAVAILABLE", ""},
	{pipeline.ErrModuleAnswer, codes.Internal, "MODULE_ANSWER_REFUSED", ""},
	{pipeline.ErrNoData, codes.FailedPrecondition, "DATA_NOT_HELD", ""},
	{pipeline.ErrModuleRefused, codes.FailedPrecondition, "MODULE_REFUSED", ""},
	{pool.ErrBehind, codes.Unavailable, "POOL_BEHIND", ""},
	{pool.ErrUnusable, codes.FailedPrecondition, "UNUSABLE", ""},
	{context.Canceled, codes.Canceled, "CANCELLED", "the call was given up by the caller"},
	{context.DeadlineExceeded, codes.DeadlineExceeded, "DEADLINE_EXCEEDED", "the call took longer than its deadline"},
	{errInternal, codes.Internal, "INTERNAL", "internal fault; the core's log has it under the request id"},
}

// find gives the meaning of a fault; what isn't in the table is an internal fault.
func find(err error) meaning {
	var unavailable *catalog.ModuleUnavailableError
	if errors.As(err, &unavailable) {
		return meaning{err, codes.Unavailable, "MODULE_UNAVAILABLE", ""}
	}
	for _, m := range table {
		if errors.Is(err, m.fault) {
			return m
		}
	}
	return table[len(table)-1]
}

// toStatus gives the status for a fault, with the request's id. A status that a handler made is kept, unless it is of an unexpected
// fault. unexpected says that the log must have the fault itself, since the status hides it.
func toStatus(err error, requestID string) (st *status.Status, reason string, unexpected bool) {
	m := find(err)
	if m.reason == "INTERNAL" {
		if made, ok := madeStatus(err); ok {
			return withDetails(made, &errdetails.RequestInfo{RequestId: requestID}), made.Code().String(), false
		}
	}
	text := m.text
	if text == "" {
		text = err.Error()
	}
	if m.code == codes.NotFound {
		text = alike(text)
	}
	details := []protoadapt.MessageV1{
		&errdetails.ErrorInfo{Reason: m.reason, Domain: errorDomain, Metadata: particulars(err)},
		&errdetails.RequestInfo{RequestId: requestID},
	}
	var refusal *limits.Refusal
	if errors.As(err, &refusal) && refusal.RetryAfter > 0 {
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(refusal.RetryAfter)})
	}
	if faults := fieldFaults(err); len(faults) > 0 && m.code == codes.InvalidArgument {
		details = append(details, &errdetails.BadRequest{FieldViolations: violations(faults)})
	}
	return withDetails(status.New(m.code, cut(withoutTokens(text), maxMessageBytes)), details...), m.reason, m.code == codes.Internal
}

// madeStatus finds a status that was made on purpose, by a handler or by the server itself.
func madeStatus(err error) (*status.Status, bool) {
	made, ok := status.FromError(err)
	if !ok {
		return nil, false
	}
	switch made.Code() {
	case codes.OK, codes.Unknown, codes.Internal, codes.DataLoss:
		return nil, false
	default:
		return made, true
	}
}

func withDetails(st *status.Status, details ...protoadapt.MessageV1) *status.Status {
	detailed, err := st.WithDetails(details...)
	if err != nil {
		return st // details help and don't decide
	}
	return detailed
}

// particulars are details that a program can use: for a stale etag the present one, and who changed the record and when, if the caller
// may know.
func particulars(err error) map[string]string {
	var stale *trial.StaleError
	if !errors.As(err, &stale) {
		return nil
	}
	told := map[string]string{"record_kind": stale.Kind, "record_id": stale.ID, "current_etag": stale.Current}
	var explained *labv1.StaleFault
	if errors.As(err, &explained) {
		told["current_etag"] = explained.Current
		if explained.By != "" {
			told["changed_by"], told["changed_time"] = explained.By, explained.At.UTC().Format(time.RFC3339Nano)
		}
	}
	return told
}

// fieldFaults collects the faults of single fields out of an error that joins several.
func fieldFaults(err error) []*trial.FieldFault {
	if err == nil {
		return nil
	}
	if fault, ok := err.(*trial.FieldFault); ok { //nolint:errorlint // the tree is walked here, node by node
		return []*trial.FieldFault{fault}
	}
	switch wrapping := err.(type) { //nolint:errorlint // as above
	case interface{ Unwrap() error }:
		return fieldFaults(wrapping.Unwrap())
	case interface{ Unwrap() []error }:
		var all []*trial.FieldFault
		for _, inner := range wrapping.Unwrap() {
			all = append(all, fieldFaults(inner)...)
		}
		return all
	}
	return nil
}

func violations(faults []*trial.FieldFault) []*errdetails.BadRequest_FieldViolation {
	list := make([]*errdetails.BadRequest_FieldViolation, 0, min(len(faults), maxViolations))
	size := 0
	for _, fault := range faults {
		size += len(fault.Field) + len(fault.Text)
		if len(list) == maxViolations || size > maxViolationBytes && len(list) > 0 {
			break
		}
		list = append(list, &errdetails.BadRequest_FieldViolation{Field: cut(withoutTokens(fault.Field), maxMessageBytes), Description: cut(withoutTokens(fault.Text), maxMessageBytes)})
	}
	if rest := len(faults) - len(list); rest > 0 {
		list = append(list, &errdetails.BadRequest_FieldViolation{Description: moreFaults(rest)})
	}
	return list
}
