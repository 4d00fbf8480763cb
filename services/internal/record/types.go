package record

import (
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The enums of the domain bear the same numbers as those of the interface, so
// that a conversion is enough; a test holds them to it.

// AmountToProto carries an amount; one that was not given is nil.
func AmountToProto(a trial.Amount) *typesv1.Amount {
	if a == (trial.Amount{}) {
		return nil
	}
	message := &typesv1.Amount{
		Knowledge: typesv1.AmountKnowledge(int32Of(int(a.Knowledge))),
		Unit:      typesv1.AmountUnit(int32Of(int(a.Unit))),
		Note:      a.Note,
	}
	if a.Known() {
		value := a.Value
		message.Value = &value
	}
	return message
}

// AmountFromProto carries an amount. A figure beside "not known" is not taken over.
func AmountFromProto(message *typesv1.Amount) trial.Amount {
	if message == nil {
		return trial.Amount{}
	}
	amount := trial.Amount{
		Knowledge: trial.Knowledge(message.GetKnowledge()),
		Unit:      trial.Unit(message.GetUnit()),
		Note:      message.GetNote(),
	}
	if amount.Known() {
		amount.Value = message.GetValue()
	}
	return amount
}

// ClaimedTimeToProto carries a member's claim about a time; none is nil.
func ClaimedTimeToProto(c trial.ClaimedTime) *typesv1.ClaimedTime {
	if c.Time.IsZero() && c.Precision == trial.PrecisionUnstated && c.UTCOffsetMinutes == 0 {
		return nil
	}
	return &typesv1.ClaimedTime{
		Time:             timeToProto(c.Time),
		Precision:        typesv1.TimePrecision(int32Of(int(c.Precision))),
		UtcOffsetMinutes: int32Of(c.UTCOffsetMinutes),
	}
}

// ClaimedTimeFromProto carries a member's claim about a time.
func ClaimedTimeFromProto(message *typesv1.ClaimedTime) trial.ClaimedTime {
	if message == nil {
		return trial.ClaimedTime{}
	}
	return trial.ClaimedTime{
		Time:             timeFromProto(message.GetTime()),
		Precision:        trial.Precision(message.GetPrecision()),
		UTCOffsetMinutes: int(message.GetUtcOffsetMinutes()),
	}
}

func correctionToProto(e trial.Entry) *typesv1.Correction {
	if e.CorrectsID == "" && e.Reason == "" {
		return nil
	}
	return &typesv1.Correction{EntryId: e.CorrectsID, Reason: e.Reason}
}

// FibreToProto carries a fibre; one of which nothing is said is nil.
func FibreToProto(f trial.Fibre) *typesv1.Fibre {
	if len(f.Composition) == 0 && f.Form == "" && f.Finish == "" && f.Lot == "" {
		return nil
	}
	return &typesv1.Fibre{
		Composition: each(f.Composition, func(p trial.FibrePart) *typesv1.FibrePart {
			return &typesv1.FibrePart{Fibre: p.Fibre, Percent: p.Percent}
		}),
		Form:   f.Form,
		Finish: f.Finish,
		Lot:    f.Lot,
	}
}

// FibreFromProto carries a fibre.
func FibreFromProto(message *typesv1.Fibre) trial.Fibre {
	return trial.Fibre{
		Composition: each(message.GetComposition(), func(p *typesv1.FibrePart) trial.FibrePart {
			return trial.FibrePart{Fibre: p.GetFibre(), Percent: p.GetPercent()}
		}),
		Form:   message.GetForm(),
		Finish: message.GetFinish(),
		Lot:    message.GetLot(),
	}
}

// SharingToProto carries who may read a record; nothing said is nil.
func SharingToProto(s trial.Sharing) *typesv1.Sharing {
	if s.Level == 0 && s.Licence == "" && s.Since.IsZero() {
		return nil
	}
	return &typesv1.Sharing{
		Level:   typesv1.SharingLevel(int32Of(int(s.Level))),
		Licence: s.Licence,
		Since:   timeToProto(s.Since),
	}
}

// SharingFromProto carries who may read a record.
func SharingFromProto(message *typesv1.Sharing) trial.Sharing {
	if message == nil {
		return trial.Sharing{}
	}
	return trial.Sharing{
		Level:   trial.SharingLevel(message.GetLevel()),
		Licence: message.GetLicence(),
		Since:   timeFromProto(message.GetSince()),
	}
}

// ConditionToProto carries a colour condition; one not stated is nil.
func ConditionToProto(c trial.ColourCondition) *typesv1.ColourCondition {
	if c == (trial.ColourCondition{}) {
		return nil
	}
	return &typesv1.ColourCondition{
		Illuminant: typesv1.Illuminant(int32Of(int(c.Illuminant))),
		Observer:   typesv1.Observer(int32Of(int(c.Observer))),
	}
}

// ConditionFromProto carries a colour condition.
func ConditionFromProto(message *typesv1.ColourCondition) trial.ColourCondition {
	return trial.ColourCondition{
		Illuminant: trial.Illuminant(message.GetIlluminant()),
		Observer:   trial.Observer(message.GetObserver()),
	}
}

// RawColourToProto carries what an instrument gave.
func RawColourToProto(r trial.RawColour) *typesv1.RawColour {
	if r == (trial.RawColour{}) {
		return nil
	}
	message := &typesv1.RawColour{LabCondition: ConditionToProto(r.LabCondition)}
	switch {
	case r.Spectrum != nil:
		message.Value = &typesv1.RawColour_Spectrum{Spectrum: &typesv1.Spectrum{
			StartNm:     r.Spectrum.StartNm,
			StepNm:      r.Spectrum.StepNm,
			Reflectance: append([]float64(nil), r.Spectrum.Reflectance...),
		}}
	case r.Lab != nil:
		message.Value = &typesv1.RawColour_Lab{Lab: &typesv1.Lab{L: r.Lab.L, A: r.Lab.A, B: r.Lab.B}}
	}
	return message
}

// RawColourFromProto carries what an instrument gave.
func RawColourFromProto(message *typesv1.RawColour) trial.RawColour {
	raw := trial.RawColour{LabCondition: ConditionFromProto(message.GetLabCondition())}
	switch value := message.GetValue().(type) {
	case *typesv1.RawColour_Spectrum:
		raw.Spectrum = &trial.Spectrum{
			StartNm:     value.Spectrum.GetStartNm(),
			StepNm:      value.Spectrum.GetStepNm(),
			Reflectance: append([]float64(nil), value.Spectrum.GetReflectance()...),
		}
	case *typesv1.RawColour_Lab:
		raw.Lab = &trial.Lab{L: value.Lab.GetL(), A: value.Lab.GetA(), B: value.Lab.GetB()}
	}
	return raw
}

// RouteToProto carries a route; an empty one is nil.
func RouteToProto(r trial.Route) *labv1.Route {
	if len(r.Layers) == 0 && r.Order == "" && r.Text == "" && !r.NotStated {
		return nil
	}
	return &labv1.Route{
		Layers:    each(r.Layers, byRef(layerToProto)),
		Order:     r.Order,
		NotStated: r.NotStated,
		Text:      r.Text,
	}
}

// RouteFromProto carries a route.
func RouteFromProto(message *labv1.Route) trial.Route {
	return trial.Route{
		Layers:    each(message.GetLayers(), layerFromProto),
		Order:     message.GetOrder(),
		NotStated: message.GetNotStated(),
		Text:      message.GetText(),
	}
}

func layerToProto(l *trial.Layer) *labv1.Layer {
	return &labv1.Layer{
		Purposes: each(l.Purposes, purposeToProto),
		Materials: each(l.Materials, func(m trial.LayerMaterial) *labv1.LayerMaterial {
			return &labv1.LayerMaterial{Material: m.Material, Role: labv1.AdditionRole(int32Of(int(m.Role)))}
		}),
		Exhaust:                int32Of(l.Exhaust),
		ExhaustNumberNotStated: l.ExhaustNumberNotStated,
		ExhaustNotStated:       l.ExhaustNotStated,
		BlankOf:                l.BlankOf,
		IntendedDepth:          int32Of(int(l.IntendedDepth)),
		DeliveredPercentWof:    optional(l.DeliveredPercentWOF),
		Dips:                   int32Of(l.Dips),
		ConcentrationGPerL:     optional(l.ConcentrationGPerL),
		BathId:                 l.BathID,
		Water:                  l.Water,
		ContentsNotStated:      l.ContentsNotStated,
	}
}

func layerFromProto(message *labv1.Layer) trial.Layer {
	return trial.Layer{
		Purposes: each(message.GetPurposes(), purposeFromProto),
		Materials: each(message.GetMaterials(), func(m *labv1.LayerMaterial) trial.LayerMaterial {
			return trial.LayerMaterial{Material: m.GetMaterial(), Role: trial.Role(m.GetRole())}
		}),
		Exhaust:                int(message.GetExhaust()),
		ExhaustNumberNotStated: message.GetExhaustNumberNotStated(),
		ExhaustNotStated:       message.GetExhaustNotStated(),
		BlankOf:                message.GetBlankOf(),
		IntendedDepth:          trial.Depth(message.GetIntendedDepth()),
		DeliveredPercentWOF:    optional(message.DeliveredPercentWof),
		Dips:                   int(message.GetDips()),
		ConcentrationGPerL:     optional(message.ConcentrationGPerL),
		BathID:                 message.GetBathId(),
		Water:                  message.GetWater(),
		ContentsNotStated:      message.GetContentsNotStated(),
	}
}

func purposeToProto(p trial.Purpose) labv1.BathPurpose {
	return labv1.BathPurpose(int32Of(int(p)))
}

func purposeFromProto(p labv1.BathPurpose) trial.Purpose { return trial.Purpose(p) }
