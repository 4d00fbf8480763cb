package accessv1

import (
	"context"
	"encoding/hex"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/page"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// serverActor is how the interface calls what was done by commands on the server. It can't be a member's id.
const serverActor = "server"

// ListAuditEntries implements accesspb.AuditServiceServer.
func (s *Service) ListAuditEntries(ctx context.Context, request *accesspb.ListAuditEntriesRequest) (*accesspb.ListAuditEntriesResponse, error) {
	actor := request.GetActor()
	if actor == serverActor {
		actor = store.Server
	}
	caller, _ := access.CallerFrom(ctx)
	if !caller.Has(access.Steward) {
		if actor != "" && actor != caller.ID {
			return nil, fmt.Errorf("%w: what others did is read by stewards", trial.ErrForbidden)
		}
		actor = caller.ID
	}
	rows, err := s.audit.AuditEntries(ctx, store.AuditQuery{After: request.GetAfterSequence(), Actor: actor, Limit: page.Size(request.GetPageSize())})
	if err != nil {
		return nil, err
	}
	head, err := s.audit.AuditHead(ctx)
	if err != nil {
		return nil, err
	}
	answer := &accesspb.ListAuditEntriesResponse{}
	if head.Sequence > 0 {
		answer.HeadSequence, answer.HeadChainSha256 = head.Sequence, hex.EncodeToString(head.Chain[:])
	}
	for i := range rows {
		answer.Entries = append(answer.Entries, auditEntry(&rows[i], caller.ID))
	}
	return answer, nil
}

// auditEntry is an entry as a reader may see it. Why a record was changed is said in the record's own words, so it stays with whoever said it: a
// steward learns who changed which record and how, and nothing of what is in it.
func auditEntry(row *store.AuditRow, reader trial.MemberID) *accesspb.AuditEntry {
	entry := &accesspb.AuditEntry{
		Sequence: row.Sequence, Time: timestamppb.New(row.At), Actor: row.Actor.Member, TokenId: row.Actor.TokenID, Method: row.Actor.Method,
		Revision: row.Revision, Subjects: row.Subjects, ChainSha256: hex.EncodeToString(row.Chain[:]), Reason: row.Reason,
	}
	if row.Actor.Member == store.Server {
		entry.Actor = serverActor
	} else if row.Revision != 0 && row.Actor.Member != reader {
		entry.Reason = ""
	}
	if row.RequestHash != ([32]byte{}) {
		entry.RequestSha256 = hex.EncodeToString(row.RequestHash[:])
	}
	return entry
}
