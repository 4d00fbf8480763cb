package archive

import (
	"context"
	"slices"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"google.golang.org/protobuf/types/known/timestamppb"
)

const deleteReason = "deleted where it was exported from"

// deleted notes a record that was deleted in the folder.
func (r *restoring) deleted(kind labv1.RecordKind, id string, was interface {
	GetDeleteTime() *timestamppb.Timestamp
}, row *Row) {
	r.deletedAt(kind, id, was.GetDeleteTime(), row)
}

func (r *restoring) deletedAt(kind labv1.RecordKind, id string, at *timestamppb.Timestamp, row *Row) {
	if at != nil {
		r.toDelete = append(r.toDelete, deletion{kind, id, row})
	}
}

// deletions deletes again what was deleted: trials first, then what they stood on.
func (r *restoring) deletions(ctx context.Context) error {
	if r.o.DryRun {
		return nil
	}
	for _, kind := range []labv1.RecordKind{
		labv1.RecordKind_RECORD_KIND_TRIAL, labv1.RecordKind_RECORD_KIND_BATH,
		labv1.RecordKind_RECORD_KIND_EXPERIMENT, labv1.RecordKind_RECORD_KIND_WATER_SOURCE,
	} {
		for _, d := range r.toDelete {
			if d.kind != kind || d.row.Outcome == Refused {
				continue
			}
			before, err := r.wasDeleted(ctx, d)
			if err == nil && !before {
				if d.row.Outcome == There {
					d.row.worse(Completed)
				}
				err = r.delete(ctx, d)
			}
			if err := refused(d.row, err); err != nil {
				return err
			}
		}
	}
	return nil
}

// wasDeleted tells whether a record was ever deleted here. One that was and was brought back stays.
func (r *restoring) wasDeleted(ctx context.Context, d deletion) (was bool, err error) {
	err = pages(func(token string) (string, error) {
		page, err := ask(ctx, r.core, r.core.History.ListVersions, &labv1.ListVersionsRequest{RecordKind: d.kind, RecordId: d.id, PageSize: pageSize, PageToken: token})
		was = was || slices.ContainsFunc(page.GetVersions(), func(v *labv1.Version) bool { return v.GetKind() == labv1.ChangeKind_CHANGE_KIND_DELETED })
		return page.GetNextPageToken(), err
	})
	return was, err
}

func (r *restoring) delete(ctx context.Context, d deletion) error {
	switch d.kind {
	case labv1.RecordKind_RECORD_KIND_TRIAL:
		have, err := ask(ctx, r.core, r.core.Trials.GetTrial, &labv1.GetTrialRequest{TrialId: d.id})
		if err != nil {
			return err
		}
		request := &labv1.DeleteTrialRequest{TrialId: d.id, Etag: have.GetEtag(), Reason: deleteReason}
		if request.RequestId, err = r.seal(d.id, request); err != nil {
			return err
		}
		_, err = ask(ctx, r.core, r.core.Trials.DeleteTrial, request)
		return err
	case labv1.RecordKind_RECORD_KIND_BATH:
		have, err := ask(ctx, r.core, r.core.Baths.GetBath, &labv1.GetBathRequest{BathId: d.id})
		if err != nil {
			return err
		}
		request := &labv1.DeleteBathRequest{BathId: d.id, Etag: have.GetEtag(), Reason: deleteReason}
		if request.RequestId, err = r.seal(d.id, request); err != nil {
			return err
		}
		_, err = ask(ctx, r.core, r.core.Baths.DeleteBath, request)
		return err
	case labv1.RecordKind_RECORD_KIND_EXPERIMENT:
		have, err := ask(ctx, r.core, r.core.Experiments.GetExperiment, &labv1.GetExperimentRequest{ExperimentId: d.id})
		if err != nil {
			return err
		}
		request := &labv1.DeleteExperimentRequest{ExperimentId: d.id, Etag: have.GetEtag(), Reason: deleteReason}
		if request.RequestId, err = r.seal(d.id, request); err != nil {
			return err
		}
		_, err = ask(ctx, r.core, r.core.Experiments.DeleteExperiment, request)
		return err
	default:
		have, err := ask(ctx, r.core, r.core.Waters.GetWaterSource, &labv1.GetWaterSourceRequest{WaterSourceId: d.id})
		if err != nil {
			return err
		}
		request := &labv1.DeleteWaterSourceRequest{WaterSourceId: d.id, Etag: have.GetEtag(), Reason: deleteReason}
		if request.RequestId, err = r.seal(d.id, request); err != nil {
			return err
		}
		_, err = ask(ctx, r.core, r.core.Waters.DeleteWaterSource, request)
		return err
	}
}
