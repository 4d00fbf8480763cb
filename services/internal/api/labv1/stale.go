package labv1

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/differences"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// StaleFault is a trial.StaleError together with what changed since the caller read the record; it unwraps to it.
type StaleFault struct {
	*trial.StaleError
	// Changes are lines in a dyer's words; empty where it can't be told.
	Changes []string
	// By and At are who made the present version and when; zero for a caller who may read only a part of the record.
	By trial.MemberID
	At time.Time
}

// maxChangesTold is how many lines a refusal has, since it travels in a header; the history has them all.
const maxChangesTold = 12

// Error implements error.
func (f *StaleFault) Error() string {
	text := fmt.Sprintf("%s %s changed since it was read", f.Kind, f.ID)
	switch n := len(f.Changes); {
	case n == 0:
		return text
	case n > maxChangesTold:
		return fmt.Sprintf("%s: %s, and %d more", text, strings.Join(f.Changes[:maxChangesTold], ", "), n-maxChangesTold)
	default:
		return text + ": " + strings.Join(f.Changes, ", ")
	}
}

// Unwrap gives the fault of the domain.
func (f *StaleFault) Unwrap() error { return f.StaleError }

// explained adds to the fault of a stale etag what changed since. Whatever goes wrong with that, the fault stays what it is.
func (s *Service) explained(ctx context.Context, err error) error {
	var stale *trial.StaleError
	if !errors.As(err, &stale) {
		return err
	}
	told := &StaleFault{StaleError: stale}
	newest, readErr := s.store.Versions(ctx, stale.Kind, stale.ID, 0, 1)
	if readErr != nil || len(newest) == 0 {
		return told
	}
	now := newest[0]
	told.StaleError = &trial.StaleError{Kind: stale.Kind, ID: stale.ID, Given: stale.Given, Current: trial.Etag(now.Revision)}
	member := access.MemberOf(ctx)
	whole, readErr := s.mayReadAll(ctx, stale.Kind, stale.ID, member)
	if readErr != nil {
		return told
	}
	if whole {
		told.By, told.At = now.By, now.At
	}
	revision, ok := revisionOf(stale.Given)
	if !ok || revision >= now.Revision {
		return told
	}
	then, readErr := s.store.Version(ctx, stale.Kind, stale.ID, revision)
	if readErr != nil {
		return told
	}
	before, beforeErr := versionFor(stale.Kind, then.Body, member, whole)
	after, afterErr := versionFor(stale.Kind, now.Body, member, whole)
	if beforeErr == nil && afterErr == nil {
		told.Changes = differences.Between(before, after)
	}
	return told
}

// mayReadAll reports whether a member may read the whole of a record, and not only the pieces that they hold.
func (s *Service) mayReadAll(ctx context.Context, kind trial.RecordKind, id trial.ID, member trial.MemberID) (bool, error) {
	if kind != trial.TrialRecord {
		return s.maySee(ctx, kind, id, member)
	}
	row, err := s.store.TrialRow(ctx, id)
	return err == nil && access.ViewOfTrial(row, member) == access.All, err
}

// versionFor decodes a version, or what a holder of pieces may see of it.
func versionFor(kind trial.RecordKind, body []byte, member trial.MemberID, whole bool) (proto.Message, error) {
	if whole {
		return decodeVersion(kind, body)
	}
	if kind != trial.TrialRecord {
		return nil, trial.ErrNotFound
	}
	t, err := record.DecodeTrial(body)
	if err != nil {
		return nil, err
	}
	part := trial.VisibleTo(member, t)
	if part == nil {
		part = &trial.Trial{ID: t.ID}
	}
	return record.TrialToProto(part), nil
}

// revisionOf reads the revision that an etag stands for.
func revisionOf(etag string) (int64, bool) {
	revision, err := strconv.ParseInt(strings.Trim(strings.TrimPrefix(etag, `"r`), `"`), 36, 64)
	if err != nil || trial.Etag(revision) != etag {
		return 0, false
	}
	return revision, true
}
