package invent

import (
	"fmt"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

const instrument = "bench reader " + Mark

// plan is what one member dyes for an experiment: one session a water.
type plan struct {
	waters  []string
	sixArms bool
	public  bool
}

// tray is a session in the making.
type tray struct {
	member     string
	session    *labv1.Session
	baths      []*labv1.Bath
	pieces     []*labv1.Piece
	immersions []*labv1.Immersion
	looks      []*labv1.Look
	readings   []*labv1.Reading
}

// orderTrial makes up one member's trial towards an experiment. The first
// session comes with the trial, a second one is added to it later.
func (m *maker) orderTrial(member string, e *labv1.Experiment, p plan) {
	trialID := m.id()
	for i, water := range p.waters {
		t := m.orderSession(member, e, water, p.sixArms)
		if i == 0 {
			m.send(member, &labv1.SubmitTrialRequest{
				RequestId: m.id(),
				Trial: &labv1.Trial{
					Id: trialID, Title: title(e.FirstDye, member), State: labv1.TrialState_TRIAL_STATE_BEGUN,
					Question: "Does it matter which goes first?",
					Sessions: []*labv1.Session{t.session}, Pieces: t.pieces, Immersions: t.immersions,
					Looks: t.looks, Readings: t.readings,
				},
				Baths: t.baths,
			})
		} else {
			for _, b := range t.baths {
				m.send(member, &labv1.CreateBathRequest{RequestId: m.id(), Bath: b})
			}
			m.send(member, &labv1.AddEntriesRequest{
				RequestId: m.id(), TrialId: trialID, Sessions: []*labv1.Session{t.session}, Pieces: t.pieces,
				Immersions: t.immersions, Looks: t.looks, Readings: t.readings,
			})
		}
		if i == 0 {
			m.misreadAndPutRight(member, trialID, t)
		}
		m.clock = m.clock.AddDate(0, 0, 3)
	}
	sharing := &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_COOPERATIVE}
	if p.public {
		sharing = &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_PUBLIC, Licence: "CC-BY-4.0"}
	}
	m.send(member, &labv1.ShareTrialRequest{RequestId: m.id(), TrialId: trialID, Sharing: sharing})
	m.send(member, &labv1.SetTrialStateRequest{
		RequestId: m.id(), TrialId: trialID, State: labv1.TrialState_TRIAL_STATE_FINISHED,
	})
}

// postedPiece makes up a strip that one member dyes yellow, and half of which
// another dips after it came by post. It stands outside the experiments.
func (m *maker) postedPiece() {
	sender, receiver := "bracken", "clover"
	t := &tray{member: sender, session: &labv1.Session{Id: m.id(), Begun: m.day(0), Note: "a strip on its travels " + Mark}}
	p := m.accidents("pot", "vat")
	c := cloths[0]
	alum := m.bath(t, "alum pot", "roof rain", 2, labv1.BathPurpose_BATH_PURPOSE_MORDANT)
	pot := m.bath(t, "weld pot", "roof rain", 2, labv1.BathPurpose_BATH_PURPOSE_DYE)
	strip := m.whole(t, c, 12)
	m.dip(t, strip, alum, 1, 0, 0, labv1.Depth_DEPTH_UNSPECIFIED)
	m.dip(t, strip, pot, 2, 0, 0, labv1.Depth_DEPTH_MEDIUM)
	posted := m.part(t, strip, labv1.OriginKind_ORIGIN_KIND_TAKEN, 2, "half of the strip, for the post", 6)
	m.charge(t, alum, "alum", labv1.AdditionRole_ADDITION_ROLE_MORDANT, 15)
	m.charge(t, pot, "weld", labv1.AdditionRole_ADDITION_ROLE_DYE, 100)
	m.read(t, strip, m.curve(c, p, []dose{{dye: "weld", pot: "pot", depth: 1}}))
	trialID := m.id()
	m.send(sender, &labv1.SubmitTrialRequest{
		RequestId: m.id(),
		Trial: &labv1.Trial{
			Id: trialID, Title: "A strip on its travels " + Mark, State: labv1.TrialState_TRIAL_STATE_BEGUN,
			Sessions: []*labv1.Session{t.session}, Pieces: t.pieces, Immersions: t.immersions, Readings: t.readings,
		},
		Baths: t.baths,
	})
	m.send(sender, &labv1.PostPieceRequest{RequestId: m.id(), PieceId: posted.Id, ToMember: receiver})
	m.clock = m.clock.AddDate(0, 0, 5)

	there := &tray{member: receiver}
	vat := m.bath(there, "small vat", "town tap", 3, labv1.BathPurpose_BATH_PURPOSE_VAT)
	m.add(vat, "indigo", labv1.AdditionRole_ADDITION_ROLE_DYE, grams(3))
	m.add(vat, "fructose", labv1.AdditionRole_ADDITION_ROLE_ASSIST, grams(9))
	m.add(vat, "lime", labv1.AdditionRole_ADDITION_ROLE_ASSIST, grams(6))
	vat.OpenToMembers = true
	m.send(receiver, &labv1.CreateBathRequest{RequestId: m.id(), Bath: vat})
	m.dip(there, posted, vat, 1, 2, 0, labv1.Depth_DEPTH_MEDIUM)
	m.read(there, posted, m.curve(c, p, []dose{{dye: "weld", pot: "pot", depth: 1}, {dye: "indigo", pot: "vat", depth: 0.8}}))
	m.look(there, &labv1.Look{Of: &labv1.Look_PieceId{PieceId: posted.Id}, Text: "green within a minute in the air", At: m.day(0)})
	m.send(receiver, &labv1.AddEntriesRequest{
		RequestId: m.id(), TrialId: trialID, Immersions: there.immersions, Looks: there.looks, Readings: there.readings,
	})
	// The other half goes into the same vat, by the sender, who is on a visit.
	visit := &tray{member: sender}
	m.clock = m.clock.AddDate(0, 0, 1)
	m.dip(visit, strip, vat, 3, 1, 0, labv1.Depth_DEPTH_PALE)
	m.send(sender, &labv1.AddEntriesRequest{RequestId: m.id(), TrialId: trialID, Immersions: visit.immersions})
	m.send(sender, &labv1.ShareTrialRequest{
		RequestId: m.id(), TrialId: trialID, Sharing: &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_COOPERATIVE},
	})
}

// misreadAndPutRight adds what happens in every workshop: a piece read while
// still wet, and a reading typed in for the wrong piece and corrected.
func (m *maker) misreadAndPutRight(member, trialID string, t *tray) {
	last := t.readings[len(t.readings)-1]
	wet := m.reading(last.PieceId, darker(last.Raw.GetSpectrum().Reflectance, 0.7))
	wet.State, wet.AgeDays = labv1.PieceState_PIECE_STATE_WET, nil
	again := m.reading(last.PieceId, last.Raw.GetSpectrum().Reflectance)
	again.Corrects = &typesv1.Correction{EntryId: last.Id, Reason: "the white tile had not been cleaned; read again after cleaning"}
	m.send(member, &labv1.AddEntriesRequest{
		RequestId: m.id(), TrialId: trialID, Readings: []*labv1.Reading{wet, again},
	})
}

func darker(curve []float64, factor float64) []float64 {
	out := make([]float64, len(curve))
	for i, r := range curve {
		out[i] = round(r*factor, 4)
	}
	return out
}

func (m *maker) bath(t *tray, label, water string, l float64, purpose labv1.BathPurpose) *labv1.Bath {
	b := &labv1.Bath{
		Id: m.id(), Label: fmt.Sprintf("%s %s", label, Mark), Purposes: []labv1.BathPurpose{purpose}, Liquor: litres(l),
		WaterParts: []*labv1.WaterPart{{WaterSourceId: m.waters[water], Parts: 1}},
	}
	t.baths = append(t.baths, b)
	return b
}

func (m *maker) add(b *labv1.Bath, material string, role labv1.AdditionRole, amount *typesv1.Amount) {
	b.Additions = append(b.Additions, &labv1.Addition{Id: m.id(), Material: material, Role: role, Amount: amount})
}

// charge adds a material at a percentage of the mass of all fibre in the bath.
func (m *maker) charge(t *tray, b *labv1.Bath, material string, role labv1.AdditionRole, percentWOF float64) {
	load := 0.0
	for _, i := range t.immersions {
		if i.BathId != b.Id {
			continue
		}
		for _, p := range t.pieces {
			if p.Id != i.PieceId {
				continue
			}
			load += p.Mass.GetValue()
			for _, part := range t.pieces { // a white was taken before
				if part.Origin.GetParentPieceId() == p.Id && part.Origin.GetAfterPosition() < i.Position {
					load -= part.Mass.GetValue()
				}
			}
		}
	}
	m.add(b, material, role, grams(load*percentWOF/100))
}

func (m *maker) whole(t *tray, c cloth, massG float64) *labv1.Piece {
	resolution := 0.01
	p := &labv1.Piece{
		Id: m.id(), Label: c.fibre + " hank", SessionId: t.session.Id, Mass: grams(massG),
		WeighingBasis: typesv1.WeighingBasis_WEIGHING_BASIS_AIR_DRY, BalanceResolutionG: &resolution,
		Fibre: &typesv1.Fibre{
			Composition: []*typesv1.FibrePart{{Fibre: c.fibre, Percent: 100}}, Form: c.form, Lot: c.lot,
		},
	}
	t.pieces = append(t.pieces, p)
	return p
}

func (m *maker) part(t *tray, parent *labv1.Piece, kind labv1.OriginKind, after int32, label string, massG float64) *labv1.Piece {
	resolution := 0.01
	p := &labv1.Piece{
		Id: m.id(), Label: label, SessionId: t.session.Id, Mass: grams(massG),
		WeighingBasis: typesv1.WeighingBasis_WEIGHING_BASIS_AIR_DRY, BalanceResolutionG: &resolution,
		Origin: &labv1.PieceOrigin{ParentPieceId: parent.Id, Kind: kind, AfterPosition: after},
	}
	t.pieces = append(t.pieces, p)
	return p
}

func (m *maker) dip(t *tray, p *labv1.Piece, b *labv1.Bath, position, dips int32, daysAfter int, depth labv1.Depth) {
	t.immersions = append(t.immersions, &labv1.Immersion{
		Id: m.id(), PieceId: p.Id, BathId: b.Id, Position: position, Dips: dips, IntendedDepth: depth, Entered: m.day(daysAfter),
	})
}

func (m *maker) look(t *tray, l *labv1.Look) {
	l.Id = m.id()
	t.looks = append(t.looks, l)
}

func (m *maker) reading(pieceID string, curve []float64) *labv1.Reading {
	age := int32(9)
	return &labv1.Reading{
		Id: m.id(), PieceId: pieceID, Specular: typesv1.SpecularMode_SPECULAR_MODE_INCLUDED, Geometry: "d/8",
		Instrument: instrument, State: labv1.PieceState_PIECE_STATE_DRY, AgeDays: &age, At: m.day(11),
		Raw: &typesv1.RawColour{Value: &typesv1.RawColour_Spectrum{Spectrum: &typesv1.Spectrum{
			StartNm: firstNm, StepNm: stepNm, Reflectance: curve,
		}}},
	}
}

func (m *maker) read(t *tray, p *labv1.Piece, curve []float64) {
	t.readings = append(t.readings, m.reading(p.Id, curve))
}
