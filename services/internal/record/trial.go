package record

import (
	"time"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// TrialToProto carries a trial with all its entries.
func TrialToProto(t *trial.Trial) *labv1.Trial {
	return &labv1.Trial{
		Id:              t.ID,
		Owner:           t.Owner,
		Title:           t.Title,
		Question:        t.Question,
		State:           labv1.TrialState(int32Of(int(t.State))),
		AbandonedReason: t.AbandonedReason,
		Sharing:         SharingToProto(t.Sharing),
		Sessions:        each(t.Sessions, byRef(SessionToProto)),
		Pieces:          each(t.Pieces, byRef(PieceToProto)),
		Immersions:      each(t.Immersions, byRef(ImmersionToProto)),
		Looks:           each(t.Looks, byRef(LookToProto)),
		Judgements:      each(t.Judgements, byRef(JudgementToProto)),
		Readings:        each(t.Readings, byRef(ReadingToProto)),
		ImportSource:    t.ImportSource,
		CreateTime:      timeToProto(t.CreatedAt),
		UpdateTime:      timeToProto(t.UpdatedAt),
		Revision:        t.Revision,
		Etag:            etag(t.Revision),
		DeleteTime:      timeToProto(t.DeletedAt),
		Warnings: each(t.Warnings, func(w trial.Warning) *labv1.Warning {
			return &labv1.Warning{EntryId: w.EntryID, Text: w.Text}
		}),
	}
}

// TrialFromProto carries a trial with all its entries.
func TrialFromProto(message *labv1.Trial) *trial.Trial {
	return &trial.Trial{
		ID:              message.GetId(),
		Owner:           message.GetOwner(),
		Title:           message.GetTitle(),
		Question:        message.GetQuestion(),
		State:           trial.State(message.GetState()),
		AbandonedReason: message.GetAbandonedReason(),
		Sharing:         SharingFromProto(message.GetSharing()),
		Sessions:        each(message.GetSessions(), byValue(SessionFromProto)),
		Pieces:          each(message.GetPieces(), byValue(PieceFromProto)),
		Immersions:      each(message.GetImmersions(), byValue(ImmersionFromProto)),
		Looks:           each(message.GetLooks(), byValue(LookFromProto)),
		Judgements:      each(message.GetJudgements(), byValue(JudgementFromProto)),
		Readings:        each(message.GetReadings(), byValue(ReadingFromProto)),
		ImportSource:    message.GetImportSource(),
		CreatedAt:       timeFromProto(message.GetCreateTime()),
		UpdatedAt:       timeFromProto(message.GetUpdateTime()),
		Revision:        message.GetRevision(),
		DeletedAt:       timeFromProto(message.GetDeleteTime()),
		Warnings: each(message.GetWarnings(), func(w *labv1.Warning) trial.Warning {
			return trial.Warning{EntryID: w.GetEntryId(), Text: w.GetText()}
		}),
	}
}

// TrialSummaryToProto carries a trial without its entries.
func TrialSummaryToProto(t *trial.Trial) *labv1.TrialSummary {
	readings := 0
	for i := range t.Readings {
		if !t.Readings[i].Superseded {
			readings++
		}
	}
	return &labv1.TrialSummary{
		Id:           t.ID,
		Owner:        t.Owner,
		Title:        t.Title,
		State:        labv1.TrialState(int32Of(int(t.State))),
		Sharing:      SharingToProto(t.Sharing),
		ImportSource: t.ImportSource,
		SessionCount: int32Of(len(t.Sessions)),
		PieceCount:   int32Of(len(t.Pieces)),
		ReadingCount: int32Of(readings),
		UpdateTime:   timeToProto(t.UpdatedAt),
		Revision:     t.Revision,
		Etag:         etag(t.Revision),
		DeleteTime:   timeToProto(t.DeletedAt),
	}
}

// SessionToProto carries a session.
func SessionToProto(s *trial.Session) *labv1.Session {
	return &labv1.Session{
		Id:           s.ID,
		ExperimentId: s.ExperimentID,
		Begun:        ClaimedTimeToProto(s.Begun),
		Note:         s.Note,
	}
}

// SessionFromProto carries a session.
func SessionFromProto(message *labv1.Session) *trial.Session {
	return &trial.Session{
		ID:           message.GetId(),
		ExperimentID: message.GetExperimentId(),
		Begun:        ClaimedTimeFromProto(message.GetBegun()),
		Note:         message.GetNote(),
	}
}

// PieceToProto carries a piece with its derived route.
func PieceToProto(p *trial.Piece) *labv1.Piece {
	message := &labv1.Piece{
		Id:               p.ID,
		TrialId:          p.TrialID,
		Code:             p.Code,
		Label:            p.Label,
		SessionId:        p.SessionID,
		Fibre:            FibreToProto(p.Fibre),
		Mass:             AmountToProto(p.Mass),
		WeighingBasis:    typesv1.WeighingBasis(int32Of(int(p.Basis))),
		HistoryNotStated: p.HistoryNotStated,
		Holder:           p.Holder,
		Ended:            p.Ended,
		LastPosition:     int32Of(p.LastPosition),
		Route:            RouteToProto(p.Route),
		Corrections: each(p.Corrections, func(c trial.PieceCorrection) *labv1.PieceCorrection {
			return &labv1.PieceCorrection{
				PieceId:     p.ID,
				Mass:        given(c.Mass, AmountToProto),
				MassBefore:  given(c.MassBefore, AmountToProto),
				Label:       optional(c.Label),
				LabelBefore: optional(c.LabelBefore),
				Fibre:       given(c.Fibre, FibreToProto),
				FibreBefore: given(c.FibreBefore, FibreToProto),
				Reason:      c.Reason,
				RecordTime:  timeToProto(c.RecordedAt),
				RecordedBy:  c.RecordedBy,
			}
		}),
	}
	if p.BalanceResolutionG != 0 {
		resolution := p.BalanceResolutionG
		message.BalanceResolutionG = &resolution
	}
	if p.Origin != (trial.Origin{}) {
		message.Origin = &labv1.PieceOrigin{
			ParentPieceId: p.Origin.ParentID,
			Kind:          labv1.OriginKind(int32Of(int(p.Origin.Kind))),
			AfterPosition: int32Of(p.Origin.AfterPosition),
		}
	}
	return message
}

// PieceFromProto carries a piece.
func PieceFromProto(message *labv1.Piece) *trial.Piece {
	return &trial.Piece{
		ID:                 message.GetId(),
		TrialID:            message.GetTrialId(),
		Code:               message.GetCode(),
		Label:              message.GetLabel(),
		SessionID:          message.GetSessionId(),
		Fibre:              FibreFromProto(message.GetFibre()),
		Mass:               AmountFromProto(message.GetMass()),
		Basis:              trial.WeighingBasis(message.GetWeighingBasis()),
		BalanceResolutionG: message.GetBalanceResolutionG(),
		Origin: trial.Origin{
			Kind:          trial.OriginKind(message.GetOrigin().GetKind()),
			ParentID:      message.GetOrigin().GetParentPieceId(),
			AfterPosition: int(message.GetOrigin().GetAfterPosition()),
		},
		HistoryNotStated: message.GetHistoryNotStated(),
		Holder:           message.GetHolder(),
		Ended:            message.GetEnded(),
		LastPosition:     int(message.GetLastPosition()),
		Route:            RouteFromProto(message.GetRoute()),
		Corrections: each(message.GetCorrections(), func(c *labv1.PieceCorrection) trial.PieceCorrection {
			return trial.PieceCorrection{
				Mass:        stated(c.GetMass(), AmountFromProto),
				MassBefore:  stated(c.GetMassBefore(), AmountFromProto),
				Label:       optional(c.Label),
				LabelBefore: optional(c.LabelBefore),
				Fibre:       stated(c.GetFibre(), FibreFromProto),
				FibreBefore: stated(c.GetFibreBefore(), FibreFromProto),
				Reason:      c.GetReason(),
				RecordedAt:  timeFromProto(c.GetRecordTime()),
				RecordedBy:  c.GetRecordedBy(),
			}
		}),
	}
}

// ImmersionToProto carries an immersion.
func ImmersionToProto(im *trial.Immersion) *labv1.Immersion {
	return &labv1.Immersion{
		Id:            im.ID,
		PieceId:       im.PieceID,
		BathId:        im.BathID,
		Position:      int32Of(im.Position),
		Exhaust:       int32Of(im.Exhaust),
		Dips:          int32Of(im.Dips),
		IntendedDepth: labv1.Depth(int32Of(int(im.IntendedDepth))),
		Entered:       ClaimedTimeToProto(im.Entered),
		Left:          ClaimedTimeToProto(im.Left),
		Note:          im.Note,
		Corrects:      correctionToProto(im.Entry),
		Superseded:    im.Superseded,
		RecordTime:    timeToProto(im.RecordedAt),
		RecordedBy:    im.RecordedBy,
	}
}

// recorded is what every entry's message has.
type recorded interface {
	GetId() string
	GetCorrects() *typesv1.Correction
	GetSuperseded() bool
	GetRecordedBy() string
}

func entryFromProto(message recorded, recordedAt time.Time) trial.Entry {
	return trial.Entry{
		ID:         message.GetId(),
		CorrectsID: message.GetCorrects().GetEntryId(),
		Reason:     message.GetCorrects().GetReason(),
		Superseded: message.GetSuperseded(),
		RecordedAt: recordedAt,
		RecordedBy: message.GetRecordedBy(),
	}
}

// ImmersionFromProto carries an immersion.
func ImmersionFromProto(message *labv1.Immersion) *trial.Immersion {
	return &trial.Immersion{
		Entry:         entryFromProto(message, timeFromProto(message.GetRecordTime())),
		PieceID:       message.GetPieceId(),
		BathID:        message.GetBathId(),
		Position:      int(message.GetPosition()),
		Exhaust:       int(message.GetExhaust()),
		Dips:          int(message.GetDips()),
		IntendedDepth: trial.Depth(message.GetIntendedDepth()),
		Entered:       ClaimedTimeFromProto(message.GetEntered()),
		Left:          ClaimedTimeFromProto(message.GetLeft()),
		Note:          message.GetNote(),
	}
}

// LookToProto carries a look.
func LookToProto(l *trial.Look) *labv1.Look {
	message := &labv1.Look{
		Id:         l.ID,
		Text:       l.Text,
		At:         ClaimedTimeToProto(l.At),
		Corrects:   correctionToProto(l.Entry),
		Superseded: l.Superseded,
		RecordTime: timeToProto(l.RecordedAt),
		RecordedBy: l.RecordedBy,
	}
	switch {
	case l.PieceID != "":
		message.Of = &labv1.Look_PieceId{PieceId: l.PieceID}
	case l.BathID != "":
		message.Of = &labv1.Look_BathId{BathId: l.BathID}
	}
	return message
}

// LookFromProto carries a look.
func LookFromProto(message *labv1.Look) *trial.Look {
	return &trial.Look{
		Entry:   entryFromProto(message, timeFromProto(message.GetRecordTime())),
		PieceID: message.GetPieceId(),
		BathID:  message.GetBathId(),
		Text:    message.GetText(),
		At:      ClaimedTimeFromProto(message.GetAt()),
	}
}

// ReadingToProto carries a reading.
func ReadingToProto(r *trial.Reading) *labv1.Reading {
	message := &labv1.Reading{
		Id:         r.ID,
		PieceId:    r.PieceID,
		Raw:        RawColourToProto(r.Raw),
		Specular:   typesv1.SpecularMode(int32Of(int(r.Specular))),
		Geometry:   r.Geometry,
		Instrument: r.Instrument,
		State:      labv1.PieceState(int32Of(int(r.State))),
		At:         ClaimedTimeToProto(r.At),
		Corrects:   correctionToProto(r.Entry),
		Superseded: r.Superseded,
		RecordTime: timeToProto(r.RecordedAt),
		RecordedBy: r.RecordedBy,
	}
	if r.AgeDays != trial.AgeUnstated {
		age := int32Of(r.AgeDays)
		message.AgeDays = &age
	}
	if r.AfterPosition != trial.AfterAll {
		after := int32Of(r.AfterPosition)
		message.AfterPosition = &after
	}
	return message
}

// ReadingFromProto carries a reading.
func ReadingFromProto(message *labv1.Reading) *trial.Reading {
	reading := &trial.Reading{
		Entry:      entryFromProto(message, timeFromProto(message.GetRecordTime())),
		PieceID:    message.GetPieceId(),
		Raw:        RawColourFromProto(message.GetRaw()),
		Specular:   trial.SpecularMode(message.GetSpecular()),
		Geometry:   message.GetGeometry(),
		Instrument: message.GetInstrument(),
		State:      trial.PieceState(message.GetState()),
		AgeDays:    trial.AgeUnstated,
		At:         ClaimedTimeFromProto(message.GetAt()),

		AfterPosition: trial.AfterAll,
	}
	if message != nil && message.AgeDays != nil {
		reading.AgeDays = int(message.GetAgeDays())
	}
	if message != nil && message.AfterPosition != nil {
		reading.AfterPosition = int(message.GetAfterPosition())
	}
	return reading
}

// JudgementToProto carries a judgement.
func JudgementToProto(j *trial.Judgement) *labv1.Judgement {
	message := &labv1.Judgement{
		Id:            j.ID,
		FirstPieceId:  j.FirstID,
		SecondPieceId: j.SecondID,
		Quality:       labv1.JudgedQuality(int32Of(int(j.Quality))),
		Choice:        labv1.JudgedChoice(int32Of(int(j.Choice))),
		Light:         j.Light,
		Blind:         j.Blind,
		At:            ClaimedTimeToProto(j.At),
		Corrects:      correctionToProto(j.Entry),
		Superseded:    j.Superseded,
		RecordTime:    timeToProto(j.RecordedAt),
		RecordedBy:    j.RecordedBy,
	}
	if j.GreyScaleStep != 0 {
		message.GreyScaleStep = &j.GreyScaleStep
	}
	if j.FirstAfter != trial.AfterAll {
		after := int32Of(j.FirstAfter)
		message.FirstAfterPosition = &after
	}
	if j.SecondAfter != trial.AfterAll {
		after := int32Of(j.SecondAfter)
		message.SecondAfterPosition = &after
	}
	return message
}

// JudgementFromProto carries a judgement.
func JudgementFromProto(message *labv1.Judgement) *trial.Judgement {
	j := &trial.Judgement{
		Entry:         entryFromProto(message, timeFromProto(message.GetRecordTime())),
		FirstID:       message.GetFirstPieceId(),
		SecondID:      message.GetSecondPieceId(),
		Quality:       trial.JudgedQuality(message.GetQuality()),
		Choice:        trial.JudgedChoice(message.GetChoice()),
		GreyScaleStep: message.GetGreyScaleStep(),
		Light:         message.GetLight(),
		Blind:         message.GetBlind(),
		At:            ClaimedTimeFromProto(message.GetAt()),
		FirstAfter:    trial.AfterAll,
		SecondAfter:   trial.AfterAll,
	}
	if message != nil && message.FirstAfterPosition != nil {
		j.FirstAfter = int(message.GetFirstAfterPosition())
	}
	if message != nil && message.SecondAfterPosition != nil {
		j.SecondAfter = int(message.GetSecondAfterPosition())
	}
	return j
}

// EntriesFromProto carries what a request adds to a trial.
func EntriesFromProto(message *labv1.AddEntriesRequest) trial.Entries {
	return trial.Entries{
		Sessions:   each(message.GetSessions(), byValue(SessionFromProto)),
		Pieces:     each(message.GetPieces(), byValue(PieceFromProto)),
		Immersions: each(message.GetImmersions(), byValue(ImmersionFromProto)),
		Looks:      each(message.GetLooks(), byValue(LookFromProto)),
		Readings:   each(message.GetReadings(), byValue(ReadingFromProto)),
		Judgements: each(message.GetJudgements(), byValue(JudgementFromProto)),
		Corrections: each(message.GetPieceCorrections(), func(c *labv1.PieceCorrection) trial.PieceChange {
			return trial.PieceChange{
				PieceID: c.GetPieceId(),
				Mass:    stated(c.GetMass(), AmountFromProto),
				Label:   optional(c.Label),
				Fibre:   stated(c.GetFibre(), FibreFromProto),
				Reason:  c.GetReason(),
			}
		}),
	}
}

// ChangeToProto carries one entry of the change feed.
func ChangeToProto(c trial.Change) *labv1.WatchChangesResponse {
	return &labv1.WatchChangesResponse{
		Revision:   c.Revision,
		Kind:       labv1.ChangeKind(int32Of(int(c.Kind))),
		RecordKind: c.RecordKind,
		RecordId:   c.RecordID,
		ByMember:   c.ByMember,
		Time:       timeToProto(time.UnixMicro(c.At).UTC()),
	}
}
