package labv1

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/trial"
)

const (
	// watchPage is how many changes are read from the feed at a time.
	watchPage = 200
	// keptPages and keptAudiences bound what is kept for watchers to share; all but those who are behind ask for the same.
	keptPages, keptAudiences = 4, 2 * watchPage
)

// WatchChanges implements labpb.TrialServiceServer. The feed is read page by page, and nothing of the store is held while
// a page is sent, so a slow reader costs a page of memory and nothing else. Who may see a change is decided
// when it is sent. What all watchers need to know of a change is read once, however many they are.
func (s *Service) WatchChanges(request *labpb.WatchChangesRequest, stream grpc.ServerStreamingServer[labpb.WatchChangesResponse]) error {
	ctx, cancel := context.WithCancel(stream.Context())
	defer cancel()
	go func() {
		select {
		case <-s.stopping:
			cancel()
		case <-ctx.Done():
		}
	}()
	after := request.GetAfterRevision()
	present := s.store.Revision()
	switch {
	case after < 0:
		after = present
	case after > present:
		return fmt.Errorf("%w: after_revision is %d; allowed: -1 to %d", ErrRevisionAhead, after, present)
	}
	// So that the watcher knows that it misses nothing from here on.
	if err := stream.SendHeader(metadata.MD{}); err != nil {
		return err
	}
	for {
		changes, err := s.changesAfter(ctx, after)
		if err == nil && len(changes) == 0 {
			err = s.store.WaitForChange(ctx, after)
		}
		if err != nil {
			return s.watchEnd(err)
		}
		for len(changes) > 0 {
			group := sameRevision(changes)
			changes = changes[len(group):]
			if err := s.sendGroup(ctx, stream, group); err != nil {
				return s.watchEnd(err)
			}
			after = group[0].Revision
		}
	}
}

// changesAfter reads a page of the feed, once for all watchers who have come as far.
func (s *Service) changesAfter(ctx context.Context, after int64) ([]trial.Change, error) {
	return s.changes.get(ctx, s.store.Revision(), after, func() ([]trial.Change, error) { return s.store.Changes(ctx, after, watchPage) })
}

// watchEnd tells the end of the core from the end of the call.
func (s *Service) watchEnd(err error) error {
	select {
	case <-s.stopping:
		if errors.Is(err, context.Canceled) {
			return ErrStopping
		}
	default:
	}
	return err
}

// sameRevision is the first of the changes with those that were made together with it.
func sameRevision(changes []trial.Change) []trial.Change {
	n := 1
	for n < len(changes) && changes[n].Revision == changes[0].Revision {
		n++
	}
	return changes[:n]
}

// sendGroup sends the changes of one revision that the caller may see. The revision in an answer is where to go on from. Only
// the last of a group may say its own: whoever was cut off in its middle asks from before it and misses nothing.
func (s *Service) sendGroup(ctx context.Context, stream grpc.ServerStreamingServer[labpb.WatchChangesResponse], group []trial.Change) error {
	member := access.MemberOf(ctx)
	var told []*labpb.WatchChangesResponse
	for _, change := range group {
		answer, err := s.tell(ctx, change, member)
		if err != nil {
			return err
		}
		if answer != nil {
			told = append(told, answer)
		}
	}
	for i, answer := range told {
		if i < len(told)-1 {
			answer.Revision--
		}
		if err := stream.Send(answer); err != nil {
			return err
		}
	}
	return nil
}

// tell is what a member is told of a change; nil is nothing.
func (s *Service) tell(ctx context.Context, change trial.Change, member trial.MemberID) (*labpb.WatchChangesResponse, error) {
	present, before, err := s.sight(ctx, change.RecordKind, change.RecordID, member)
	if err != nil {
		return nil, err
	}
	answer := record.ChangeToProto(change)
	switch {
	case present:
		return answer, nil
	case change.Kind == trial.Withdrawn, change.Kind == trial.Deleted && before:
		// Until then every member could read it, or this one, so they are told which record to forget, and nothing else.
		answer.ByMember = ""
		return answer, nil
	default:
		return nil, nil //nolint:nilnil // nothing to tell is no fault
	}
}

// maySee reports whether a member may read something of a record.
func (s *Service) maySee(ctx context.Context, kind trial.RecordKind, id trial.ID, member trial.MemberID) (bool, error) {
	present, _, err := s.sight(ctx, kind, id, member)
	return present, err
}

// sight reports whether a member may read something of a record, and whether they might if it weren't deleted.
func (s *Service) sight(ctx context.Context, kind trial.RecordKind, id trial.ID, member trial.MemberID) (present, undeleted bool, err error) {
	may, err := s.audiences.get(ctx, s.store.Revision(), recordKey{kind, id}, func() (audience, error) { return s.audience(ctx, kind, id) })
	if err != nil {
		return false, false, err
	}
	present, undeleted = may(member)
	return present, undeleted, nil
}

// recordKey names a record.
type recordKey struct {
	kind trial.RecordKind
	id   trial.ID
}

// audience tells who may read something of a record, and who might if it weren't deleted.
type audience func(member trial.MemberID) (present, undeleted bool)

// audience reads what decides who may see a record, for any member. Of a record that isn't there nobody sees anything.
func (s *Service) audience(ctx context.Context, kind trial.RecordKind, id trial.ID) (audience, error) {
	may, err := s.knownAudience(ctx, kind, id)
	if errors.Is(err, trial.ErrNotFound) {
		return func(trial.MemberID) (present, undeleted bool) { return false, false }, nil
	}
	return may, err
}

func (s *Service) knownAudience(ctx context.Context, kind trial.RecordKind, id trial.ID) (audience, error) {
	switch kind {
	case trial.TrialRecord:
		row, err := s.store.TrialRow(ctx, id)
		row.Body = nil // large, and kept as long as the audience is
		undeleted := row
		undeleted.Deleted = false
		return func(member trial.MemberID) (bool, bool) {
			return access.ViewOfTrial(row, member) != access.Nothing, access.ViewOfTrial(undeleted, member) != access.Nothing
		}, err
	case trial.BathRecord:
		row, err := s.store.BathRow(ctx, id)
		if err != nil {
			return nil, err
		}
		row.Body = nil
		undeleted := row
		undeleted.Deleted = false
		members, err := s.store.MembersWithPieceIn(ctx, id)
		return func(member trial.MemberID) (bool, bool) {
			had := slices.Contains(members, member)
			return access.MayReadBath(row, member, had), access.MayReadBath(undeleted, member, had)
		}, err
	case trial.WaterRecord:
		source, err := s.store.WaterSource(ctx, id)
		return func(member trial.MemberID) (bool, bool) {
			return member != "" && trial.CanReadWaterSource(member, source), member != ""
		}, err
	case trial.ExperimentRecord:
		experiment, err := s.store.Experiment(ctx, id)
		return func(member trial.MemberID) (bool, bool) {
			return member != "" && trial.CanReadExperiment(member, experiment), member != ""
		}, err
	default:
		return nil, trial.ErrNotFound
	}
}
