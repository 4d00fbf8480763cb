package record

import (
	"slices"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// BathToProto carries a bath with its additions and checks.
func BathToProto(b *trial.Bath) *labv1.Bath {
	return &labv1.Bath{
		Id:       b.ID,
		Owner:    b.Owner,
		Label:    b.Label,
		Vessel:   b.Vessel,
		Purposes: each(b.Purposes, purposeToProto),
		BlankOf:  b.BlankOf,
		Liquor:   AmountToProto(b.Liquor),
		WaterParts: each(b.Water, func(w trial.WaterPart) *labv1.WaterPart {
			return &labv1.WaterPart{WaterSourceId: w.SourceID, WaterSampleId: w.SampleID, Parts: w.Parts}
		}),
		Additions:              each(b.Additions, byRef(AdditionToProto)),
		Checks:                 each(b.Checks, byRef(CheckToProto)),
		ContentsNotStated:      b.ContentsNotStated,
		ExhaustNumberNotStated: b.ExhaustNumberNotStated,
		ExhaustNotStated:       b.ExhaustNotStated,
		OpenToMembers:          b.OpenToMembers,
		Sharing:                SharingToProto(b.Sharing),
		CreateTime:             timeToProto(b.CreatedAt),
		UpdateTime:             timeToProto(b.UpdatedAt),
		Revision:               b.Revision,
		Etag:                   etag(b.Revision),
		DeleteTime:             timeToProto(b.DeletedAt),
	}
}

// BathFromProto carries a bath with its additions and checks.
func BathFromProto(message *labv1.Bath) *trial.Bath {
	return &trial.Bath{
		ID:       message.GetId(),
		Owner:    message.GetOwner(),
		Label:    message.GetLabel(),
		Vessel:   message.GetVessel(),
		Purposes: each(message.GetPurposes(), purposeFromProto),
		BlankOf:  message.GetBlankOf(),
		Liquor:   AmountFromProto(message.GetLiquor()),
		Water: each(message.GetWaterParts(), func(w *labv1.WaterPart) trial.WaterPart {
			return trial.WaterPart{SourceID: w.GetWaterSourceId(), SampleID: w.GetWaterSampleId(), Parts: w.GetParts()}
		}),
		Additions:              each(message.GetAdditions(), byValue(AdditionFromProto)),
		Checks:                 each(message.GetChecks(), byValue(CheckFromProto)),
		ContentsNotStated:      message.GetContentsNotStated(),
		ExhaustNumberNotStated: message.GetExhaustNumberNotStated(),
		ExhaustNotStated:       message.GetExhaustNotStated(),
		OpenToMembers:          message.GetOpenToMembers(),
		Sharing:                SharingFromProto(message.GetSharing()),
		CreatedAt:              timeFromProto(message.GetCreateTime()),
		UpdatedAt:              timeFromProto(message.GetUpdateTime()),
		DeletedAt:              timeFromProto(message.GetDeleteTime()),
		Revision:               message.GetRevision(),
	}
}

// BathsFromProto carries the baths that a request brings along.
func BathsFromProto(messages []*labv1.Bath) []trial.Bath {
	return each(messages, byValue(BathFromProto))
}

// BathsToProto carries several baths.
func BathsToProto(baths []trial.Bath) []*labv1.Bath {
	return each(baths, byRef(BathToProto))
}

// AdditionToProto carries an addition.
func AdditionToProto(a *trial.Addition) *labv1.Addition {
	return &labv1.Addition{
		Id:            a.ID,
		Material:      a.Material,
		Role:          labv1.AdditionRole(int32Of(int(a.Role))),
		Lot:           a.Lot,
		Amount:        AmountToProto(a.Amount),
		Exhaust:       int32Of(a.Exhaust),
		At:            ClaimedTimeToProto(a.At),
		Corrects:      correctionToProto(a.Entry),
		Superseded:    a.Superseded,
		RecordTime:    timeToProto(a.RecordedAt),
		RecordedBy:    a.RecordedBy,
		DensityKgPerL: optional(a.DensityKgPerL),
	}
}

// AdditionFromProto carries an addition.
func AdditionFromProto(message *labv1.Addition) *trial.Addition {
	return &trial.Addition{
		Entry:    entryFromProto(message, timeFromProto(message.GetRecordTime())),
		Material: message.GetMaterial(),
		Role:     trial.Role(message.GetRole()),
		Lot:      message.GetLot(),
		Amount:   AmountFromProto(message.GetAmount()),
		Exhaust:  int(message.GetExhaust()),
		At:       ClaimedTimeFromProto(message.GetAt()),

		DensityKgPerL: optional(message.DensityKgPerL),
	}
}

// CheckToProto carries a check.
func CheckToProto(c *trial.Check) *labv1.Check {
	return &labv1.Check{
		Id:           c.ID,
		Ph:           optional(c.PH),
		TemperatureC: optional(c.TemperatureC),
		Exhaust:      int32Of(c.Exhaust),
		At:           ClaimedTimeToProto(c.At),
		Note:         c.Note,
		Corrects:     correctionToProto(c.Entry),
		Superseded:   c.Superseded,
		RecordTime:   timeToProto(c.RecordedAt),
		RecordedBy:   c.RecordedBy,
	}
}

// CheckFromProto carries a check.
func CheckFromProto(message *labv1.Check) *trial.Check {
	check := &trial.Check{
		Entry:   entryFromProto(message, timeFromProto(message.GetRecordTime())),
		Exhaust: int(message.GetExhaust()),
		At:      ClaimedTimeFromProto(message.GetAt()),
		Note:    message.GetNote(),
	}
	if message != nil {
		check.PH = optional(message.Ph)
		check.TemperatureC = optional(message.TemperatureC)
	}
	return check
}

// BathEntriesFromProto carries what a request adds to a bath.
func BathEntriesFromProto(message *labv1.AddToBathRequest) trial.BathEntries {
	entries := trial.BathEntries{
		Additions: each(message.GetAdditions(), byValue(AdditionFromProto)),
		Checks:    each(message.GetChecks(), byValue(CheckFromProto)),
	}
	if message != nil {
		entries.OpenToMembers = optional(message.OpenToMembers)
	}
	return entries
}

// WaterSourceToProto carries a water source with its place; whoever shows it to
// others than the owner takes the place out.
func WaterSourceToProto(w *trial.WaterSource) *labv1.WaterSource {
	return &labv1.WaterSource{
		Id:         w.ID,
		Owner:      w.Owner,
		Name:       w.Name,
		Kind:       w.Kind,
		Place:      w.Place,
		PlaceShown: w.PlaceShown,
		Common:     w.Common,
		Samples:    each(w.Samples, byRef(WaterSampleToProto)),
		CreateTime: timeToProto(w.CreatedAt),
		UpdateTime: timeToProto(w.UpdatedAt),
		DeleteTime: timeToProto(w.DeletedAt),
		Revision:   w.Revision,
		Etag:       etag(w.Revision),
	}
}

// WaterSourceFromProto carries a water source.
func WaterSourceFromProto(message *labv1.WaterSource) *trial.WaterSource {
	return &trial.WaterSource{
		ID:         message.GetId(),
		Owner:      message.GetOwner(),
		Name:       message.GetName(),
		Kind:       message.GetKind(),
		Place:      message.GetPlace(),
		PlaceShown: message.GetPlaceShown(),
		Common:     message.GetCommon(),
		Samples:    each(message.GetSamples(), byValue(WaterSampleFromProto)),
		UpdatedAt:  timeFromProto(message.GetUpdateTime()),
		DeletedAt:  timeFromProto(message.GetDeleteTime()),
		CreatedAt:  timeFromProto(message.GetCreateTime()),
		Revision:   message.GetRevision(),
	}
}

// WaterSampleToProto carries a water sample.
func WaterSampleToProto(s *trial.WaterSample) *labv1.WaterSample {
	return &labv1.WaterSample{
		Id:               s.ID,
		Taken:            ClaimedTimeToProto(s.Taken),
		HardnessMgPerL:   optional(s.HardnessMgPerL),
		AlkalinityMgPerL: optional(s.AlkalinityMgPerL),
		Ph:               optional(s.PH),
		IronMgPerL:       optional(s.IronMgPerL),
		Corrects:         correctionToProto(s.Entry),
		Superseded:       s.Superseded,
		RecordTime:       timeToProto(s.RecordedAt),
		RecordedBy:       s.RecordedBy,
	}
}

// WaterSampleFromProto carries a water sample.
func WaterSampleFromProto(message *labv1.WaterSample) *trial.WaterSample {
	sample := &trial.WaterSample{
		Entry: entryFromProto(message, timeFromProto(message.GetRecordTime())),
		Taken: ClaimedTimeFromProto(message.GetTaken()),
	}
	if message != nil {
		sample.HardnessMgPerL = optional(message.HardnessMgPerL)
		sample.AlkalinityMgPerL = optional(message.AlkalinityMgPerL)
		sample.PH = optional(message.Ph)
		sample.IronMgPerL = optional(message.IronMgPerL)
	}
	return sample
}

// ExperimentToProto carries an experiment.
func ExperimentToProto(e *trial.Experiment) *labv1.Experiment {
	return &labv1.Experiment{
		Id:              e.ID,
		Owner:           e.Owner,
		Title:           e.Title,
		FirstDye:        e.FirstDye,
		SecondDye:       e.SecondDye,
		Arms:            each(e.Arms, func(a trial.Arm) labv1.ExperimentArm { return labv1.ExperimentArm(int32Of(int(a))) }),
		ToleranceDe00:   e.ToleranceDE00,
		ClosingSessions: int32Of(e.ClosingSessions),
		Instrument:      e.Instrument,
		Condition:       ConditionToProto(e.Condition),
		Asks:            labv1.ExperimentAsks(int32Of(int(e.Asks))),
		WaterSourceIds:  slices.Clone(e.WaterSourceIDs),
		Values:          slices.Clone(e.Values),
		WaterFigure:     labv1.WaterFigure(int32Of(int(e.WaterFigure))),
		CreateTime:      timeToProto(e.CreatedAt),
		UpdateTime:      timeToProto(e.UpdatedAt),
		DeleteTime:      timeToProto(e.DeletedAt),
		Revision:        e.Revision,
		Etag:            etag(e.Revision),
	}
}

// ExperimentFromProto carries an experiment.
func ExperimentFromProto(message *labv1.Experiment) *trial.Experiment {
	return &trial.Experiment{
		ID:              message.GetId(),
		Owner:           message.GetOwner(),
		Title:           message.GetTitle(),
		FirstDye:        message.GetFirstDye(),
		SecondDye:       message.GetSecondDye(),
		Arms:            each(message.GetArms(), func(a labv1.ExperimentArm) trial.Arm { return trial.Arm(a) }),
		ToleranceDE00:   message.GetToleranceDe00(),
		ClosingSessions: int(message.GetClosingSessions()),
		Instrument:      message.GetInstrument(),
		Condition:       ConditionFromProto(message.GetCondition()),
		Asks:            trial.Asks(message.GetAsks()),
		WaterSourceIDs:  slices.Clone(message.GetWaterSourceIds()),
		Values:          slices.Clone(message.GetValues()),
		WaterFigure:     trial.WaterFigure(message.GetWaterFigure()),
		CreatedAt:       timeFromProto(message.GetCreateTime()),
		UpdatedAt:       timeFromProto(message.GetUpdateTime()),
		DeletedAt:       timeFromProto(message.GetDeleteTime()),
		Revision:        message.GetRevision(),
	}
}
