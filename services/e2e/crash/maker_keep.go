package crash

import (
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// What members do to records that are there: put right what they say of themselves, delete them and bring them back.

func (m *maker) why() string { return "because of " + m.marks() }

func mask(paths ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: paths} }

// deletedOwn picks a deleted record of the member's.
func deletedOwn[R record](m *maker, list *[]R) (R, bool) {
	return pickAny(m, list, func(r R) bool { return r.GetDeleteTime() != nil && r.GetOwner() == m.member })
}

func (m *maker) updateTrial() proto.Message {
	t, ok := m.own()
	if !ok {
		return nil
	}
	return &labv1.UpdateTrialRequest{
		RequestId: newID(), Trial: &labv1.Trial{Id: t.GetId(), Title: "trial " + m.marks()}, UpdateMask: mask("title"), Etag: t.GetEtag(), Reason: m.why(),
	}
}

// updateBath changes what a bath is called, how much it holds or which water is in it; routes of whoever's pieces were in it follow.
func (m *maker) updateBath() proto.Message {
	b, ok := pick(m, &m.baths.list, func(b *labv1.Bath) bool { return b.GetOwner() == m.member })
	if !ok {
		return nil
	}
	request := &labv1.UpdateBathRequest{RequestId: newID(), Bath: &labv1.Bath{Id: b.GetId()}, Etag: b.GetEtag(), Reason: m.why()}
	switch m.random.IntN(3) {
	case 0:
		request.UpdateMask, request.Bath.Label = mask("label"), "pot "+m.marks()
	case 1:
		litres := float64(1 + m.random.IntN(9))
		request.UpdateMask = mask("liquor")
		request.Bath.Liquor = &typesv1.Amount{
			Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: &litres, Unit: typesv1.AmountUnit_AMOUNT_UNIT_LITRE,
		}
	default:
		w, ok := pick(m, &m.waters.list, (*labv1.WaterSource).GetCommon)
		if !ok {
			return nil
		}
		request.UpdateMask = mask("water_parts")
		request.Bath.WaterParts = []*labv1.WaterPart{{WaterSourceId: w.GetId(), Parts: 1}}
	}
	return request
}

func (m *maker) updateWater() proto.Message {
	w, ok := pick(m, &m.waters.list, func(w *labv1.WaterSource) bool { return w.GetOwner() == m.member })
	if !ok {
		return nil
	}
	return &labv1.UpdateWaterSourceRequest{
		RequestId: newID(), WaterSource: &labv1.WaterSource{Id: w.GetId(), Name: "well " + m.marks(), Kind: "rain", Place: "by the gate"},
		UpdateMask: mask("name", "kind", "place"), Etag: w.GetEtag(), Reason: m.why(),
	}
}

// deleteTrial picks a trial on which, as far as the members know, nobody else's work hangs.
func (m *maker) deleteTrial() proto.Message {
	t, ok := m.own()
	if !ok || slices.ContainsFunc(t.GetPieces(), func(p *labv1.Piece) bool { return p.GetHolder() != m.member }) {
		return nil
	}
	partElsewhere := func(other *labv1.Trial) bool {
		return other.GetId() != t.GetId() && slices.ContainsFunc(other.GetPieces(), func(p *labv1.Piece) bool {
			parent := p.GetOrigin().GetParentPieceId()
			return parent != "" && slices.ContainsFunc(t.GetPieces(), func(own *labv1.Piece) bool { return own.GetId() == parent })
		})
	}
	if _, ok := pick(m, &m.trials.list, partElsewhere); ok {
		return nil
	}
	return &labv1.DeleteTrialRequest{RequestId: newID(), TrialId: t.GetId(), Etag: t.GetEtag(), Reason: m.why()}
}

func (m *maker) undeleteTrial() proto.Message {
	t, ok := deletedOwn(m, &m.trials.list)
	if !ok {
		return nil
	}
	for _, im := range t.GetImmersions() { // its baths come first
		isOf := func(b *labv1.Bath) bool { return b.GetId() == im.GetBathId() && b.GetDeleteTime() != nil }
		if _, gone := pickAny(m, &m.baths.list, isOf); gone {
			return nil
		}
	}
	return &labv1.UndeleteTrialRequest{RequestId: newID(), TrialId: t.GetId(), Etag: t.GetEtag()}
}

// deleteBath picks a bath in which, as far as the members know, no piece was.
func (m *maker) deleteBath() proto.Message {
	b, ok := pick(m, &m.baths.list, func(b *labv1.Bath) bool { return b.GetOwner() == m.member })
	if !ok {
		return nil
	}
	if _, used := pick(m, &m.trials.list, func(t *labv1.Trial) bool {
		return slices.ContainsFunc(t.GetImmersions(), func(im *labv1.Immersion) bool { return im.GetBathId() == b.GetId() })
	}); used {
		return nil
	}
	return &labv1.DeleteBathRequest{RequestId: newID(), BathId: b.GetId(), Etag: b.GetEtag(), Reason: m.why()}
}

func (m *maker) undeleteBath() proto.Message {
	b, ok := deletedOwn(m, &m.baths.list)
	if !ok {
		return nil
	}
	return &labv1.UndeleteBathRequest{RequestId: newID(), BathId: b.GetId(), Etag: b.GetEtag()}
}

// deleteWater picks a source that isn't everybody's, of which no bath has water; seldom another, which is refused.
func (m *maker) deleteWater() proto.Message {
	w, ok := pick(m, &m.waters.list, func(w *labv1.WaterSource) bool { return w.GetOwner() == m.member && (!w.GetCommon() || m.chance(5)) })
	if !ok {
		return nil
	}
	return &labv1.DeleteWaterSourceRequest{RequestId: newID(), WaterSourceId: w.GetId(), Etag: w.GetEtag(), Reason: m.why()}
}

func (m *maker) undeleteWater() proto.Message {
	w, ok := deletedOwn(m, &m.waters.list)
	if !ok {
		return nil
	}
	return &labv1.UndeleteWaterSourceRequest{RequestId: newID(), WaterSourceId: w.GetId(), Etag: w.GetEtag()}
}

// correctPiece puts the label of a piece right, or the fibre of a whole one, which that of its parts follows.
func (m *maker) correctPiece() proto.Message {
	t, ok := m.own()
	if !ok {
		return nil
	}
	p, ok := one(m, t.GetPieces())
	if !ok {
		return nil
	}
	c := &labv1.PieceCorrection{PieceId: p.GetId(), Reason: "taken down wrongly, " + m.marks()}
	if p.GetOrigin() == nil && m.chance(60) {
		c.Fibre = wool()
		c.Fibre.Lot = "lot " + m.marks()
	} else {
		c.Label = proto.String("strip " + m.marks())
	}
	return &labv1.AddEntriesRequest{RequestId: newID(), TrialId: t.GetId(), PieceCorrections: []*labv1.PieceCorrection{c}}
}

func (m *maker) correctSample() proto.Message {
	w, ok := pick(m, &m.waters.list, func(w *labv1.WaterSource) bool { return w.GetOwner() == m.member && len(w.GetSamples()) < fullTrial })
	if !ok {
		return nil
	}
	wrong, ok := one(m, w.GetSamples())
	if !ok || wrong.GetSuperseded() {
		return nil
	}
	return &labv1.AddWaterSampleRequest{RequestId: newID(), WaterSourceId: w.GetId(), Etag: w.GetEtag(), Sample: &labv1.WaterSample{
		Id: newID(), IronMgPerL: proto.Float64(m.random.Float64()), Corrects: m.corrects(wrong.GetId()),
	}}
}
