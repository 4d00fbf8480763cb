package labv1

import (
	"context"
	"fmt"
	"strconv"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/differences"
	"github.com/commonvat/commonvat/services/internal/api/page"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// recordKinds are the names by which the store knows the kinds of records.
var recordKinds = map[labpb.RecordKind]trial.RecordKind{
	labpb.RecordKind_RECORD_KIND_TRIAL:        trial.TrialRecord,
	labpb.RecordKind_RECORD_KIND_BATH:         trial.BathRecord,
	labpb.RecordKind_RECORD_KIND_WATER_SOURCE: trial.WaterRecord,
	labpb.RecordKind_RECORD_KIND_EXPERIMENT:   trial.ExperimentRecord,
}

// versionsAtOnce is how many versions are read at a time: each is a whole record, and what is wanted of it is how it differs from
// the one before.
const versionsAtOnce = 10

// ListVersions implements labpb.HistoryServiceServer.
func (s *Service) ListVersions(ctx context.Context, request *labpb.ListVersionsRequest) (*labpb.ListVersionsResponse, error) {
	kind, id := recordKinds[request.GetRecordKind()], request.GetRecordId()
	if err := s.mayReadHistory(ctx, kind, id); err != nil {
		return nil, err
	}
	query := []string{"versions", access.MemberOf(ctx), kind, id}
	token, err := s.pages.Read(request.GetPageToken(), query...)
	if err != nil {
		return nil, err
	}
	var before int64
	if token != "" {
		if before, err = strconv.ParseInt(token, 10, 64); err != nil {
			return nil, fmt.Errorf("page of versions: %w", err)
		}
	}
	size := page.Size(request.GetPageSize())
	answer := &labpb.ListVersionsResponse{}
	for len(answer.GetVersions()) < size {
		// One more than is told of, since it is what the last one differs from.
		limit := min(versionsAtOnce, size-len(answer.GetVersions())) + 1
		rows, err := s.store.Versions(ctx, kind, id, before, limit)
		if err != nil {
			return nil, err
		}
		for i, row := range rows[:min(len(rows), limit-1)] {
			version, err := versionOf(kind, row, rows[i+1:])
			if err != nil {
				return nil, err
			}
			answer.Versions = append(answer.Versions, version)
			before = row.Revision
		}
		if len(rows) < limit {
			return answer, nil
		}
	}
	answer.NextPageToken = s.pages.Next(strconv.FormatInt(before, 10), query...)
	return answer, nil
}

// GetVersion implements labpb.HistoryServiceServer.
func (s *Service) GetVersion(ctx context.Context, request *labpb.GetVersionRequest) (*labpb.GetVersionResponse, error) {
	kind, id := recordKinds[request.GetRecordKind()], request.GetRecordId()
	if err := s.mayReadHistory(ctx, kind, id); err != nil {
		return nil, err
	}
	row, err := s.store.Version(ctx, kind, id, request.GetRevision())
	if err != nil {
		return nil, err
	}
	earlier, err := s.store.Versions(ctx, kind, id, row.Revision, 1)
	if err != nil {
		return nil, err
	}
	version, err := versionOf(kind, row, earlier)
	if err != nil {
		return nil, err
	}
	answer := &labpb.GetVersionResponse{Version: version}
	switch kind {
	case trial.TrialRecord:
		answer.Record = &labpb.GetVersionResponse_Trial{Trial: raw(row.Body, &labpb.Trial{})}
	case trial.BathRecord:
		answer.Record = &labpb.GetVersionResponse_Bath{Bath: raw(row.Body, &labpb.Bath{})}
	case trial.WaterRecord:
		answer.Record = &labpb.GetVersionResponse_WaterSource{WaterSource: raw(row.Body, &labpb.WaterSource{})}
	case trial.ExperimentRecord:
		answer.Record = &labpb.GetVersionResponse_Experiment{Experiment: raw(row.Body, &labpb.Experiment{})}
	}
	return answer, nil
}

// mayReadHistory refuses whoever a record's history isn't for, as if the record weren't there: a version may hold what its owner
// has since taken back.
func (s *Service) mayReadHistory(ctx context.Context, kind trial.RecordKind, id trial.ID) error {
	owner, everybody, err := s.historyOf(ctx, kind, id)
	if err != nil {
		return err
	}
	if member := access.MemberOf(ctx); member == "" || !everybody && member != owner {
		return hidden(toldAs(kind), id)
	}
	return nil
}

// toldAs is what a kind of record is called where one isn't there, as the store calls it.
func toldAs(kind trial.RecordKind) string {
	if kind == trial.WaterRecord {
		return "water source"
	}
	return kind
}

// historyOf tells a record's owner, and whether its history is for every member.
func (s *Service) historyOf(ctx context.Context, kind trial.RecordKind, id trial.ID) (owner trial.MemberID, everybody bool, err error) {
	switch kind {
	case trial.TrialRecord:
		row, err := s.store.TrialRow(ctx, id)
		return row.Owner, false, err
	case trial.BathRecord:
		row, err := s.store.BathRow(ctx, id)
		return row.Owner, false, err
	case trial.WaterRecord:
		source, err := s.store.WaterSource(ctx, id)
		if err != nil {
			return "", false, err
		}
		return source.Owner, false, nil
	case trial.ExperimentRecord:
		experiment, err := s.store.Experiment(ctx, id)
		if err != nil {
			return "", false, err
		}
		return experiment.Owner, experiment.DeletedAt.IsZero(), nil
	default:
		return "", false, hidden("record", id)
	}
}

// versionOf tells a version, with what differs from the one before, which is the first of earlier if there is any.
func versionOf(kind trial.RecordKind, row store.VersionRow, earlier []store.VersionRow) (*labpb.Version, error) {
	version := &labpb.Version{
		Revision: row.Revision, Etag: trial.Etag(row.Revision), Time: timestamppb.New(row.At), ByMember: row.By,
		Kind: labpb.ChangeKind(row.Kind), Reason: row.Reason,
	}
	if len(earlier) == 0 {
		return version, nil
	}
	after, err := decodeVersion(kind, row.Body)
	if err != nil {
		return nil, err
	}
	before, err := decodeVersion(kind, earlier[0].Body)
	if err != nil {
		return nil, err
	}
	version.Changes = differences.Between(before, after)
	return version, nil
}

func decodeVersion(kind trial.RecordKind, body []byte) (proto.Message, error) {
	var message proto.Message
	switch kind {
	case trial.TrialRecord:
		message = &labpb.Trial{}
	case trial.BathRecord:
		message = &labpb.Bath{}
	case trial.WaterRecord:
		message = &labpb.WaterSource{}
	case trial.ExperimentRecord:
		message = &labpb.Experiment{}
	default:
		return nil, fmt.Errorf("version of a record of kind %q", kind)
	}
	if err := proto.Unmarshal(body, message); err != nil {
		return nil, fmt.Errorf("version of %s: %w", kind, err)
	}
	return message, nil
}
