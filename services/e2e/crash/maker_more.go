package crash

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

func (m *maker) corrects(id string) *typesv1.Correction {
	return &typesv1.Correction{EntryId: id, Reason: "taken down wrongly, " + m.marks()}
}

// correct puts an entry or a mass right.
func (m *maker) correct() proto.Message {
	t, ok := m.own()
	if !ok {
		return nil
	}
	request := &labv1.AddEntriesRequest{RequestId: newID(), TrialId: t.GetId()}
	switch m.random.IntN(4) {
	case 0:
		wrong, ok := one(m, t.GetReadings())
		if !ok || wrong.GetSuperseded() {
			return nil
		}
		right := m.reading(wrong.GetPieceId())
		right.Corrects, right.AfterPosition = m.corrects(wrong.GetId()), wrong.AfterPosition
		request.Readings = append(request.Readings, right)
	case 1:
		wrong, ok := one(m, t.GetLooks())
		if !ok || wrong.GetSuperseded() {
			return nil
		}
		right := m.look(wrong.GetPieceId())
		right.Corrects = m.corrects(wrong.GetId())
		request.Looks = append(request.Looks, right)
	case 2:
		wrong, ok := one(m, t.GetImmersions())
		if !ok || wrong.GetSuperseded() {
			return nil
		}
		right := &labv1.Immersion{
			Id: newID(), PieceId: wrong.GetPieceId(), BathId: wrong.GetBathId(), Position: wrong.GetPosition(), Exhaust: wrong.GetExhaust(),
			Dips: wrong.GetDips(), Note: "put right", Corrects: m.corrects(wrong.GetId()),
		}
		if b, ok := pick(m, &m.baths.list, func(b *labv1.Bath) bool { return b.GetOwner() == m.member }); ok && m.chance(50) {
			right.BathId = b.GetId() // it was another pot
		}
		request.Immersions = append(request.Immersions, right)
	default:
		p, ok := one(m, t.GetPieces())
		if !ok {
			return nil
		}
		request.PieceCorrections = append(request.PieceCorrections, &labv1.PieceCorrection{
			PieceId: p.GetId(), Mass: grams(float64(20 + m.random.IntN(20))), Reason: "weighed again, " + m.marks(),
		})
	}
	return request
}

// takePart takes a small part of a held piece into a trial of the member's own, which may be another one.
func (m *maker) takePart() proto.Message {
	from, ok := pick(m, &m.trials.list, func(t *labv1.Trial) bool { _, holds := m.heldAny(t); return holds })
	if !ok {
		return nil
	}
	to, ok := m.own()
	if !ok {
		return nil
	}
	p, ok := m.held(from)
	if !ok {
		return nil
	}
	return &labv1.AddEntriesRequest{RequestId: newID(), TrialId: to.GetId(), Pieces: []*labv1.Piece{{
		Id: newID(), Mass: grams(0.5), Origin: &labv1.PieceOrigin{
			ParentPieceId: p.GetId(), Kind: labv1.OriginKind_ORIGIN_KIND_TAKEN, AfterPosition: p.GetLastPosition(),
		},
	}}}
}

// addToBath tops up, corrects, checks, opens or closes a bath; others' pieces may have been in it.
func (m *maker) addToBath() proto.Message {
	b, ok := pick(m, &m.baths.list, func(b *labv1.Bath) bool {
		return b.GetOwner() == m.member && len(b.GetAdditions())+len(b.GetChecks()) < fullTrial
	})
	if !ok {
		return nil
	}
	request := &labv1.AddToBathRequest{RequestId: newID(), BathId: b.GetId()}
	switch m.random.IntN(4) {
	case 0:
		material, _ := one(m, []string{"weld", "madder", "walnut", "indigo"})
		more := m.addition(material, dye)
		more.Exhaust = int32(m.random.IntN(2))
		request.Additions = append(request.Additions, more, m.addition("chalk", assist))
	case 1:
		wrong, ok := one(m, b.GetAdditions())
		if !ok || wrong.GetSuperseded() {
			return nil
		}
		right := m.addition(wrong.GetMaterial(), wrong.GetRole())
		right.Corrects, right.Exhaust = m.corrects(wrong.GetId()), wrong.GetExhaust()
		request.Additions = append(request.Additions, right)
	case 2:
		request.Checks = append(request.Checks, &labv1.Check{Id: newID(), Ph: proto.Float64(4 + 6*m.random.Float64()), Note: m.marks()})
	default:
		request.OpenToMembers = proto.Bool(m.chance(70))
	}
	return request
}

func (m *maker) createBath() proto.Message {
	b := m.dyePot()
	if m.chance(50) {
		b = m.vat()
	}
	return &labv1.CreateBathRequest{RequestId: newID(), Bath: b}
}

func (m *maker) postPiece() proto.Message {
	t, ok := pick(m, &m.trials.list, func(t *labv1.Trial) bool { _, holds := m.heldAny(t); return holds })
	if !ok {
		return nil
	}
	p, ok := m.held(t)
	to, _ := one(m, Members)
	if !ok || to == m.member {
		return nil
	}
	return &labv1.PostPieceRequest{RequestId: newID(), PieceId: p.GetId(), ToMember: to}
}

func (m *maker) share() proto.Message {
	t, ok := m.own()
	if !ok {
		return nil
	}
	return &labv1.ShareTrialRequest{RequestId: newID(), TrialId: t.GetId(), Sharing: m.sharing()}
}

func (m *maker) setState() proto.Message {
	t, ok := pick(m, &m.trials.list, func(t *labv1.Trial) bool {
		return t.GetOwner() == m.member && t.GetState() == labv1.TrialState_TRIAL_STATE_BEGUN
	})
	if !ok {
		return nil
	}
	request := &labv1.SetTrialStateRequest{RequestId: newID(), TrialId: t.GetId(), State: labv1.TrialState_TRIAL_STATE_FINISHED}
	if m.chance(30) {
		request.State, request.AbandonedReason = labv1.TrialState_TRIAL_STATE_ABANDONED, "the pot boiled over"
	}
	return request
}

func (m *maker) createWater() proto.Message {
	return &labv1.CreateWaterSourceRequest{RequestId: newID(), WaterSource: &labv1.WaterSource{
		Id: newID(), Name: "well " + m.marks(), Kind: "well", Place: "behind the shed", Common: m.chance(60),
	}}
}

func (m *maker) addSample() proto.Message {
	w, ok := pick(m, &m.waters.list, func(w *labv1.WaterSource) bool { return w.GetOwner() == m.member && len(w.GetSamples()) < fullTrial })
	if !ok {
		return nil
	}
	return &labv1.AddWaterSampleRequest{RequestId: newID(), WaterSourceId: w.GetId(), Sample: &labv1.WaterSample{
		Id: newID(), HardnessMgPerL: proto.Float64(float64(m.random.IntN(400))), Ph: proto.Float64(6 + 2*m.random.Float64()),
	}}
}

// importReadings takes in rows of a source of the member's. Each import has a source of its own: a trial holds at most 5,000 readings.
func (m *maker) importReadings() proto.Message {
	mark := m.marks()
	request := &labv1.ImportReadingsRequest{Source: "meter " + mark, Sharing: m.sharing()}
	for i := range 2 + m.random.IntN(8) {
		reading := m.reading("")
		reading.Id, reading.Instrument = "", fmt.Sprintf("%s row %d", mark, i)
		request.Rows = append(request.Rows, &labv1.ImportRow{
			RowNumber: int32(i + 1), RowKey: fmt.Sprint(i), PieceKey: fmt.Sprint(i / 2), Fibre: wool(), Reading: reading,
			Baths: []*labv1.ImportBath{{
				Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_DYE}, BathKey: "pot",
				Additions: []*labv1.Addition{{Material: "weld", Role: dye, Amount: &typesv1.Amount{Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_NOT_KNOWN}}},
			}},
		})
	}
	return request
}
