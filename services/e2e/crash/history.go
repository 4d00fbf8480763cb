package crash

import (
	"context"
	"fmt"
	"math/rand/v2"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/e2e/crash/process"
)

// change is what the history of a record must tell of a write.
type change struct {
	kind   labv1.RecordKind
	id     string
	told   labv1.ChangeKind
	reason string
}

const (
	trialRecord, bathRecord, waterRecord = labv1.RecordKind_RECORD_KIND_TRIAL, labv1.RecordKind_RECORD_KIND_BATH, labv1.RecordKind_RECORD_KIND_WATER_SOURCE

	changed, deleted, undeleted = labv1.ChangeKind_CHANGE_KIND_CHANGED, labv1.ChangeKind_CHANGE_KIND_DELETED, labv1.ChangeKind_CHANGE_KIND_UNDELETED
)

// changeBy is what a write is in the history of the one record that it is about; nil for those whose reasons stand elsewhere.
func changeBy(request proto.Message) *change {
	switch r := request.(type) {
	case *labv1.UpdateTrialRequest:
		return &change{trialRecord, r.GetTrial().GetId(), changed, r.GetReason()}
	case *labv1.UpdateBathRequest:
		return &change{bathRecord, r.GetBath().GetId(), changed, r.GetReason()}
	case *labv1.UpdateWaterSourceRequest:
		return &change{waterRecord, r.GetWaterSource().GetId(), changed, r.GetReason()}
	case *labv1.DeleteTrialRequest:
		return &change{trialRecord, r.GetTrialId(), deleted, r.GetReason()}
	case *labv1.DeleteBathRequest:
		return &change{bathRecord, r.GetBathId(), deleted, r.GetReason()}
	case *labv1.DeleteWaterSourceRequest:
		return &change{waterRecord, r.GetWaterSourceId(), deleted, r.GetReason()}
	case *labv1.UndeleteTrialRequest:
		return &change{trialRecord, r.GetTrialId(), undeleted, ""}
	case *labv1.UndeleteBathRequest:
		return &change{bathRecord, r.GetBathId(), undeleted, ""}
	case *labv1.UndeleteWaterSourceRequest:
		return &change{waterRecord, r.GetWaterSourceId(), undeleted, ""}
	}
	return nil
}

type etagged interface{ GetEtag() string }

// histories reads the histories of the records that the cycle updated, deleted or undeleted, and of some that were before: each such write that
// is there must be told once, with its etag, its member and its reason; each that isn't, not at all.
func (h *Harness) histories(ctx context.Context, conn *grpc.ClientConn, random *rand.Rand, state *State, first int) (found []Violation, err error) {
	told := map[string]map[int64][]*labv1.Version{}
	those := append([]*decoded(nil), h.writes[first:]...)
	for range min(first, 20) {
		those = append(those, h.writes[random.IntN(first)])
	}
	for _, d := range those {
		c := changeBy(d.request)
		if c == nil {
			continue
		}
		if told[c.id] == nil {
			if told[c.id], err = h.versions(ctx, conn, d.Member, c); err != nil {
				return nil, err
			}
		}
		revision, kept := state.Requests[requestKey{d.Member, d.effects.requestID}]
		var with []*labv1.Version
		for _, versions := range told[c.id] {
			for _, v := range versions {
				if c.reason != "" && v.GetReason() == c.reason {
					with = append(with, v)
				}
			}
		}
		switch {
		case !kept && len(with) > 0:
			found = append(found, Violation{Unasked, fmt.Sprintf("%v isn't there, and the history tells of it: %v", d, with)})
		case !kept:
		case len(told[c.id][revision]) != 1 || c.reason != "" && len(with) != 1:
			found = append(found, Violation{Lost, fmt.Sprintf("%v made revision %d, of which the history of %s tells %d times, and %d times of its reason",
				d, revision, c.id, len(told[c.id][revision]), len(with))})
		default:
			found = append(found, c.compare(d, told[c.id][revision][0])...)
		}
	}
	return found, nil
}

func (c *change) compare(d *decoded, v *labv1.Version) (found []Violation) {
	if v.GetByMember() != d.Member || v.GetKind() != c.told || v.GetReason() != c.reason {
		found = append(found, Violation{Altered, fmt.Sprintf("%v is told as %v; its reason was %q", d, v, c.reason)})
	}
	if answer, ok := d.answer.(etagged); ok && d.Fate == Acknowledged && answer.GetEtag() != v.GetEtag() {
		found = append(found, Violation{Altered, fmt.Sprintf("%v was answered etag %s; the history has %v", d, answer.GetEtag(), v)})
	}
	return found
}

// versions reads the whole history of a record as its owner, by revision.
func (h *Harness) versions(ctx context.Context, conn *grpc.ClientConn, owner string, c *change) (map[int64][]*labv1.Version, error) {
	all := map[int64][]*labv1.Version{}
	for token := ""; ; {
		page, err := labv1.NewHistoryServiceClient(conn).ListVersions(process.As(ctx, h.tokens[owner]),
			&labv1.ListVersionsRequest{RecordKind: c.kind, RecordId: c.id, PageSize: 200, PageToken: token})
		if status.Code(err) == codes.NotFound { // the write was refused since it isn't there
			return all, nil
		}
		if err != nil {
			return nil, fmt.Errorf("history of %v %s: %w", c.kind, c.id, err)
		}
		for _, v := range page.GetVersions() {
			all[v.GetRevision()] = append(all[v.GetRevision()], v)
		}
		if token = page.GetNextPageToken(); token == "" {
			return all, nil
		}
	}
}

// lists reads every member's lists of trials: the deleted ones are in the owner's list of those and in no other, the shared ones in
// everybody's, the rest in the owner's and the holders'.
func (h *Harness) lists(ctx context.Context, conn *grpc.ClientConn, state *State) (found []Violation, err error) {
	for _, member := range Members {
		for _, gone := range []bool{false, true} {
			listed := map[string]int{}
			for token := ""; ; {
				page, err := labv1.NewTrialServiceClient(conn).ListTrials(process.As(ctx, h.tokens[member]),
					&labv1.ListTrialsRequest{PageSize: 200, PageToken: token, Deleted: gone})
				if err != nil {
					return nil, fmt.Errorf("list trials of %s: %w", member, err)
				}
				for _, t := range page.GetTrials() {
					listed[t.GetId()]++
				}
				if token = page.GetNextPageToken(); token == "" {
					break
				}
			}
			for id, t := range state.Trials {
				want := 0
				if (t.GetDeleteTime() != nil) == gone && (t.GetOwner() == member || !gone && readable(t, member)) {
					want = 1
				}
				if listed[id] != want {
					found = append(found, Violation{Altered, fmt.Sprintf("trial %s of %s (sharing %v, deleted: %v) is %d times in a list of %s's of deleted: %v",
						id, t.GetOwner(), t.GetSharing().GetLevel(), t.GetDeleteTime() != nil, listed[id], member, gone)})
				}
				delete(listed, id)
			}
			if len(listed) > 0 {
				found = append(found, Violation{Unasked, fmt.Sprintf("%s is shown %d trials that aren't there", member, len(listed))})
			}
		}
	}
	return found, nil
}

func readable(t *labv1.Trial, member string) bool {
	if t.GetSharing().GetLevel() >= 2 { // COOPERATIVE and more
		return true
	}
	for _, p := range t.GetPieces() {
		if p.GetHolder() == member {
			return true
		}
	}
	return false
}
