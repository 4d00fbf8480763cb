package validate

import (
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// addKeeping has the tables of what changes, deletes and brings back records, and of their history.
func addKeeping(add adder) {
	const kept = "not of what an update may name"
	const update = "update"
	add(&fieldmaskpb.FieldMask{}, rules{fields: fields{"paths": maskPaths}})

	add(&labv1.Trial{}, rules{fields: fields{
		"id": reference, "title": text(1, 120), "question": text(0, 500), "sessions": list(0, maxSessions),
	}, unchecked: reasons{
		"owner": kept, "state": kept, "abandoned_reason": kept, "sharing": kept, "pieces": kept, "immersions": kept, "looks": kept, "readings": kept, "judgements": kept,
		"import_source": kept, "create_time": kept, "update_time": kept, "revision": kept, "warnings": kept, "etag": kept, "delete_time": kept,
	}}, update)
	add(&labv1.UpdateTrialRequest{}, rules{fields: fields{
		"request_id": reference, "trial": masked, "update_mask": mask("title", "question", "sessions"), "etag": etagGiven, "reason": text(0, maxReason),
	}})
	add(&labv1.DeleteTrialRequest{}, rules{fields: fields{
		"request_id": reference, "trial_id": reference, "etag": etagGiven, "reason": text(1, maxReason),
	}})
	add(&labv1.UndeleteTrialRequest{}, rules{fields: fields{"request_id": reference, "trial_id": reference, "etag": etagMaybe}})

	add(&labv1.Bath{}, rules{fields: fields{
		"id": reference, "label": text(1, 80), "vessel": text(0, 80), "purposes": enums(0), "blank_of": name(0, 60), "liquor": liquor,
		"water_parts": list(0, maxWaters),
	}, unchecked: reasons{
		"owner": kept, "additions": kept, "checks": kept, "sharing": kept, "create_time": kept, "update_time": kept, "revision": kept, "etag": kept,
		"delete_time": kept, "contents_not_stated": eitherWay, "exhaust_number_not_stated": eitherWay, "exhaust_not_stated": eitherWay,
		"open_to_members": eitherWay,
	}, whole: typed(func(w *walk, p *path, m *labv1.Bath) {
		purposes(w, p, m.GetPurposes(), m.GetContentsNotStated())
		exhaustOneWay(w, p, m)
	})}, update)
	add(&labv1.UpdateBathRequest{}, rules{fields: fields{
		"request_id": reference, "bath": masked, "update_mask": mask("label", "vessel", "purposes", "blank_of", "liquor", "water_parts",
			"contents_not_stated", "exhaust_number_not_stated", "exhaust_not_stated", "open_to_members"),
		"etag": etagGiven, "reason": text(1, maxReason),
	}})
	add(&labv1.DeleteBathRequest{}, rules{fields: fields{
		"request_id": reference, "bath_id": reference, "etag": etagGiven, "reason": text(1, maxReason),
	}})
	add(&labv1.UndeleteBathRequest{}, rules{fields: fields{"request_id": reference, "bath_id": reference, "etag": etagMaybe}})

	add(&labv1.WaterSource{}, rules{fields: fields{
		"id": reference, "name": text(1, 60), "kind": text(0, 40), "place": text(0, 200),
	}, unchecked: reasons{
		"owner": kept, "samples": kept, "create_time": kept, "update_time": kept, "revision": kept, "etag": kept, "delete_time": kept,
		"common": eitherWay, "place_shown": eitherWay,
	}}, update)
	add(&labv1.UpdateWaterSourceRequest{}, rules{fields: fields{
		"request_id": reference, "water_source": masked, "update_mask": mask("name", "kind", "place", "place_shown", "common"),
		"etag": etagGiven, "reason": text(0, maxReason),
	}})
	add(&labv1.DeleteWaterSourceRequest{}, rules{fields: fields{
		"request_id": reference, "water_source_id": reference, "etag": etagGiven, "reason": text(1, maxReason),
	}})
	add(&labv1.UndeleteWaterSourceRequest{}, rules{fields: fields{"request_id": reference, "water_source_id": reference, "etag": etagMaybe}})

	add(&labv1.Experiment{}, rules{fields: fields{
		"id": reference, "title": text(1, 120), "first_dye": name(0, 60), "second_dye": name(0, 60), "arms": enums(0),
		"tolerance_de00": above(0, 20), "closing_sessions": integer(6, 200), "instrument": text(1, 80), "condition": required,
		"asks": enum, "water_source_ids": eachOnce(0, maxCompared, checkReference), "values": eachOnce(0, maxCompared, checkValue), "water_figure": enum,
	}, unchecked: reasons{
		"owner": kept, "create_time": kept, "update_time": kept, "revision": kept, "etag": kept, "delete_time": kept,
	}, whole: typed(experiment)}, update)
	add(&labv1.UpdateExperimentRequest{}, rules{fields: fields{
		"request_id": reference, "experiment": masked, "update_mask": mask("title", "first_dye", "second_dye", "arms", "tolerance_de00",
			"closing_sessions", "instrument", "condition", "asks", "water_source_ids", "values", "water_figure"),
		"etag": etagGiven, "reason": text(0, maxReason),
	}})
	add(&labv1.DeleteExperimentRequest{}, rules{fields: fields{
		"request_id": reference, "experiment_id": reference, "etag": etagGiven, "reason": text(1, maxReason),
	}})
	add(&labv1.UndeleteExperimentRequest{}, rules{fields: fields{"request_id": reference, "experiment_id": reference, "etag": etagMaybe}})

	add(&labv1.ListVersionsRequest{}, rules{fields: fields{
		"record_kind": requiredEnum, "record_id": reference, "page_size": pageSize, "page_token": text(0, maxPageToken),
	}})
	add(&labv1.GetVersionRequest{}, rules{fields: fields{
		"record_kind": requiredEnum, "record_id": reference, "revision": integer(1, 1<<62),
	}})
}

// liquor is a bath's liquor that may be absent: a volume.
func liquor(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
	maybe(w, p, m, fd)
	if given, ok := m.Get(fd).Message().Interface().(*typesv1.Amount); ok && m.Has(fd) {
		inUnit(w, p, given, typesv1.AmountUnit_AMOUNT_UNIT_LITRE)
	}
}
