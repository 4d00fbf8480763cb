package crash

import (
	"math/rand/v2"
	"sync"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// Members of the invented cooperative of these tests.
var Members = []string{"ash", "beech", "cedar", "dogwood", "elm", "fir"}

// remembered is how many of the newest records the members still work with, so that requests stay small over many cycles.
const remembered = 40

// world is what the members know of their records. It may be behind what the store has: then a request is refused.
type world struct {
	mu     sync.Mutex
	trials recent[*labv1.Trial]
	baths  recent[*labv1.Bath]
	waters recent[*labv1.WaterSource]
}

// recent are the newest records, each as last heard of.
type recent[R interface {
	GetId() string
	GetRevision() int64
}] struct{ list []R }

func (r *recent[R]) put(record R) {
	for i, known := range r.list {
		if known.GetId() == record.GetId() {
			if record.GetRevision() >= known.GetRevision() {
				r.list[i] = record
			}
			return
		}
	}
	if r.list = append(r.list, record); len(r.list) > remembered {
		r.list = r.list[1:]
	}
}

// hear takes in an answer.
func (w *world) hear(answer proto.Message) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch a := answer.(type) {
	case *labv1.SubmitTrialResponse:
		w.trials.put(a.GetTrial())
		for _, b := range a.GetBaths() {
			w.baths.put(b)
		}
	case *labv1.Trial:
		w.trials.put(a)
	case *labv1.Bath:
		w.baths.put(a)
	case *labv1.WaterSource:
		w.waters.put(a)
	}
}

// refresh makes the world say of its records what a state does; what isn't there goes.
func (w *world) refresh(s *State) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.trials.list = present(w.trials.list, s.Trials)
	w.baths.list = present(w.baths.list, s.Baths)
	w.waters.list = present(w.waters.list, s.Waters)
}

func present[R interface{ GetId() string }](list []R, there map[string]R) (kept []R) {
	for _, record := range list {
		if now, ok := there[record.GetId()]; ok {
			kept = append(kept, now)
		}
	}
	return kept
}

// maker makes a member's requests. All that it chooses comes from its seed and from what the world says.
type maker struct {
	*world
	member string
	random *rand.Rand
	marks  func() string // names that are given once
}

// next chooses an operation and makes its request; it goes on until one suits.
func (m *maker) next() (operation, proto.Message) {
	total := 0
	for _, o := range operations {
		total += o.weight
	}
	for {
		n := m.random.IntN(total)
		for _, o := range operations {
			if n -= o.weight; n < 0 {
				if request := o.make(m); request != nil {
					return o, request
				}
				break
			}
		}
	}
}

// newID is a UUIDv7 as clients make it. Ids are not of the seed: two runs in one folder must not give one twice.
func newID() string { return uuid.Must(uuid.NewV7()).String() }

func (m *maker) chance(percent int) bool { return m.random.IntN(100) < percent }

func one[T any](m *maker, from []T) (T, bool) {
	if len(from) == 0 {
		var none T
		return none, false
	}
	return from[m.random.IntN(len(from))], true
}

// record is a record that may be deleted.
type record interface {
	GetId() string
	GetOwner() string
	GetDeleteTime() *timestamppb.Timestamp
}

// pick gives one of the records that suit and aren't deleted, under the lock; nil when none does.
func pick[R record](m *maker, list *[]R, suits func(R) bool) (R, bool) {
	return pickAny(m, list, func(r R) bool { return r.GetDeleteTime() == nil && suits(r) })
}

func pickAny[R record](m *maker, list *[]R, suits func(R) bool) (R, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var those []R
	for _, record := range *list {
		if suits(record) {
			those = append(those, record)
		}
	}
	return one(m, those)
}

const fullTrial = 60 // entries; a trial that is fuller is left alone

func (m *maker) own() (*labv1.Trial, bool) {
	return pick(m, &m.trials.list, func(t *labv1.Trial) bool {
		return t.GetOwner() == m.member && len(t.GetPieces()) > 0 && len(t.GetLooks())+len(t.GetReadings())+len(t.GetImmersions()) < fullTrial
	})
}

// held is a piece that the member has in hand and that isn't split.
func (m *maker) held(t *labv1.Trial) (*labv1.Piece, bool) {
	var those []*labv1.Piece
	for _, p := range t.GetPieces() {
		if p.GetHolder() == m.member && !p.GetEnded() {
			those = append(those, p)
		}
	}
	return one(m, those)
}

func grams(v float64) *typesv1.Amount {
	return &typesv1.Amount{Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: &v, Unit: typesv1.AmountUnit_AMOUNT_UNIT_GRAM}
}

func wool() *typesv1.Fibre {
	return &typesv1.Fibre{Composition: []*typesv1.FibrePart{{Fibre: "wool", Percent: 100}}, Lot: "invented"}
}

func (m *maker) reading(piece string) *labv1.Reading {
	return &labv1.Reading{
		Id: newID(), PieceId: piece, State: labv1.PieceState_PIECE_STATE_FINISHED, Instrument: "the bench's", AgeDays: proto.Int32(int32(7 + m.random.IntN(20))),
		Raw: &typesv1.RawColour{
			Value: &typesv1.RawColour_Lab{Lab: &typesv1.Lab{L: 30 + 60*m.random.Float64(), A: 40*m.random.Float64() - 20, B: 60*m.random.Float64() - 20}},
			LabCondition: &typesv1.ColourCondition{
				Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE,
			},
		},
	}
}

func (m *maker) look(piece string) *labv1.Look {
	return &labv1.Look{Id: newID(), Of: &labv1.Look_PieceId{PieceId: piece}, Text: "even, seen as " + m.marks()}
}

func (m *maker) addition(material string, role labv1.AdditionRole) *labv1.Addition {
	return &labv1.Addition{Id: newID(), Material: material, Role: role, Amount: grams(float64(1 + m.random.IntN(40)))}
}

const (
	dye, mordant, assist = labv1.AdditionRole_ADDITION_ROLE_DYE, labv1.AdditionRole_ADDITION_ROLE_MORDANT, labv1.AdditionRole_ADDITION_ROLE_ASSIST
)

func (m *maker) bath(purpose labv1.BathPurpose, additions ...*labv1.Addition) *labv1.Bath {
	b := &labv1.Bath{
		Id: newID(), Label: "pot " + m.marks(), Purposes: []labv1.BathPurpose{purpose}, Additions: additions, OpenToMembers: m.chance(50),
	}
	if w, ok := pick(m, &m.waters.list, (*labv1.WaterSource).GetCommon); ok && m.chance(40) {
		b.WaterParts = []*labv1.WaterPart{{WaterSourceId: w.GetId(), Parts: 1}}
	}
	return b
}

func (m *maker) dyePot() *labv1.Bath {
	name, _ := one(m, []string{"weld", "madder", "walnut"})
	return m.bath(labv1.BathPurpose_BATH_PURPOSE_DYE, m.addition(name, dye))
}

func (m *maker) vat() *labv1.Bath {
	return m.bath(labv1.BathPurpose_BATH_PURPOSE_VAT, m.addition("indigo", dye), m.addition("fructose", assist))
}

func (m *maker) sharing() *typesv1.Sharing {
	switch n := m.random.IntN(10); {
	case n < 4:
		return &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_MINE}
	case n < 8:
		return &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_COOPERATIVE}
	default:
		return &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_PUBLIC, Licence: "CC-BY-4.0"}
	}
}

func (m *maker) submit() proto.Message {
	session := &labv1.Session{Id: newID()}
	t := &labv1.Trial{Id: newID(), Title: "trial " + m.marks(), Sessions: []*labv1.Session{session}, Sharing: m.sharing()}
	alum := m.bath(labv1.BathPurpose_BATH_PURPOSE_MORDANT, m.addition("alum", mordant))
	pot, vat := m.dyePot(), m.vat()
	orders := [][]*labv1.Bath{{alum, pot, vat}, {alum, vat, pot}, {pot}, {vat, vat}}
	for range 1 + m.random.IntN(3) {
		p := &labv1.Piece{Id: newID(), SessionId: session.GetId(), Fibre: wool(), Mass: grams(float64(10 + m.random.IntN(20)))}
		t.Pieces = append(t.Pieces, p)
		order, _ := one(m, orders)
		for i, b := range order {
			t.Immersions = append(t.Immersions, &labv1.Immersion{Id: newID(), PieceId: p.GetId(), BathId: b.GetId(), Position: int32(i + 1)})
		}
		t.Readings = append(t.Readings, m.reading(p.GetId()))
	}
	return &labv1.SubmitTrialRequest{RequestId: newID(), Trial: t, Baths: []*labv1.Bath{alum, pot, vat}}
}

// addEntries adds of several sorts to a trial whose piece the member holds, perhaps another member's.
func (m *maker) addEntries() proto.Message {
	t, ok := pick(m, &m.trials.list, func(t *labv1.Trial) bool {
		_, holds := m.heldAny(t)
		return holds && len(t.GetLooks())+len(t.GetReadings())+len(t.GetImmersions()) < fullTrial
	})
	if !ok {
		return nil
	}
	p, ok := m.held(t)
	if !ok {
		return nil
	}
	request := &labv1.AddEntriesRequest{RequestId: newID(), TrialId: t.GetId()}
	for range 1 + m.random.IntN(3) {
		request.Looks = append(request.Looks, m.look(p.GetId()))
	}
	if m.chance(50) {
		request.Readings = append(request.Readings, m.reading(p.GetId()))
	}
	if t.GetOwner() == m.member && m.chance(30) {
		request.Sessions = append(request.Sessions, &labv1.Session{Id: newID()})
		request.Pieces = append(request.Pieces, &labv1.Piece{Id: newID(), Fibre: wool(), Mass: grams(12)})
	}
	if b, ok := pick(m, &m.baths.list, func(b *labv1.Bath) bool { return b.GetOwner() == m.member }); ok && m.chance(50) {
		request.Immersions = append(request.Immersions, m.immersion(p, b))
	}
	return request
}

func (m *maker) heldAny(t *labv1.Trial) (*labv1.Piece, bool) {
	for _, p := range t.GetPieces() {
		if p.GetHolder() == m.member && !p.GetEnded() {
			return p, true
		}
	}
	return nil, false
}

func (m *maker) immersion(p *labv1.Piece, b *labv1.Bath) *labv1.Immersion {
	im := &labv1.Immersion{Id: newID(), PieceId: p.GetId(), BathId: b.GetId(), Position: p.GetLastPosition() + 1, Exhaust: int32(m.random.IntN(2))}
	if b.GetPurposes()[0] == labv1.BathPurpose_BATH_PURPOSE_VAT {
		im.Exhaust, im.Dips = 0, int32(1+m.random.IntN(4))
	}
	return im
}

func (m *maker) useOthersBath() proto.Message {
	t, ok := m.own()
	if !ok {
		return nil
	}
	b, ok := pick(m, &m.baths.list, func(b *labv1.Bath) bool { return b.GetOwner() != m.member && b.GetOpenToMembers() })
	if !ok {
		return nil
	}
	p, ok := m.held(t)
	if !ok {
		return nil
	}
	return &labv1.AddEntriesRequest{RequestId: newID(), TrialId: t.GetId(), Immersions: []*labv1.Immersion{m.immersion(p, b)}}
}
