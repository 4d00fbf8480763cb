// Package invent makes up the demo cooperative: its members, waters,
// experiments and trials. Everything here is invented; none of it was measured. The same seed
// gives the same bytes.
//
// The result is a list of steps, each a request that one member sends, in the
// order in which the members sent them.
package invent

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// Seed is the recorded seed of the committed demo files.
const Seed = 20260501

// Mark stands in every title and name, so that nobody takes the demo for measurements.
const Mark = "(invented)"

// Steward is the member who takes in the others.
const Steward = "alder"

// Coordinator is the member who sets the experiments.
const Coordinator = "clover"

// Step is one request that one member sends.
type Step struct {
	Member  string
	Request proto.Message
}

// colleague is one member with the water of their own.
type colleague struct {
	id    string
	name  string
	roles []accessv1.Role
	water string
}

var colleagues = []colleague{
	{"alder", "Alder", []accessv1.Role{accessv1.Role_ROLE_MEMBER, accessv1.Role_ROLE_STEWARD}, "mill well"},
	{"bracken", "Bracken", []accessv1.Role{accessv1.Role_ROLE_MEMBER}, "roof rain"},
	{"clover", "Clover", []accessv1.Role{accessv1.Role_ROLE_MEMBER, accessv1.Role_ROLE_COORDINATOR}, "town tap"},
	{"dock", "Dock", []accessv1.Role{accessv1.Role_ROLE_MEMBER, accessv1.Role_ROLE_RESEARCHER}, "mill well"},
	{"elder", "Elder", []accessv1.Role{accessv1.Role_ROLE_MEMBER}, "roof rain"},
}

// commonWater is the water that every member can get.
const commonWater = "still room"

// maker makes ids, times and noise from one seed.
type maker struct {
	rng    *rand.Rand
	clock  time.Time
	count  uint32
	steps  []Step
	waters map[string]string // name to id
}

// Cooperative makes up the whole demo from a seed.
func Cooperative(seed uint64) []Step {
	m := &maker{
		rng:    rand.New(rand.NewPCG(seed, seed>>1)),
		clock:  time.Date(2026, time.May, 4, 9, 0, 0, 0, time.UTC),
		waters: map[string]string{},
	}
	m.members()
	m.springs()
	weld, madder := m.experiments()
	m.orderTrial("alder", weld, plan{waters: []string{"mill well", commonWater}, sixArms: true})
	m.orderTrial("bracken", weld, plan{waters: []string{"roof rain", commonWater}})
	m.orderTrial("clover", weld, plan{waters: []string{"town tap", commonWater}, sixArms: true})
	m.orderTrial("dock", weld, plan{waters: []string{commonWater}, public: true})
	m.orderTrial("dock", madder, plan{waters: []string{"mill well"}, sixArms: true})
	m.orderTrial("elder", madder, plan{waters: []string{"roof rain", commonWater}})
	m.postedPiece()
	return m.steps
}

func (m *maker) send(member string, request proto.Message) {
	m.steps = append(m.steps, Step{Member: member, Request: request})
}

// id makes a version 7 UUID whose time is the story's and whose other bits are the seed's.
func (m *maker) id() string {
	m.count++
	m.clock = m.clock.Add(time.Millisecond)
	var in [16]byte
	binary.BigEndian.PutUint64(in[:], m.rng.Uint64())
	binary.BigEndian.PutUint32(in[8:], m.count)
	sum := sha256.Sum256(in[:])
	var u uuid.UUID
	copy(u[:], sum[:16])
	ms := uint64(m.clock.UnixMilli())
	u[0], u[1], u[2], u[3], u[4], u[5] = byte(ms>>40), byte(ms>>32), byte(ms>>24), byte(ms>>16), byte(ms>>8), byte(ms)
	u[6] = u[6]&0x0f | 0x70
	u[8] = u[8]&0x3f | 0x80
	return u.String()
}

func (m *maker) members() {
	for _, c := range colleagues {
		if c.id == Steward {
			continue // is there before the story begins
		}
		m.send(Steward, &accessv1.CreateMemberRequest{Member: &accessv1.Member{
			Id: c.id, DisplayName: c.name + " " + Mark, Roles: c.roles,
		}})
	}
}

func (m *maker) springs() {
	springs := []struct {
		owner, name, kind  string
		hardness, ph, iron float64
	}{
		{"alder", "mill well", "well", 310, 7.6, 0.4},
		{"bracken", "roof rain", "rain", 8, 6.1, 0.02},
		{"clover", "town tap", "tap", 140, 7.4, 0.05},
		{"clover", commonWater, "demineralised", 1, 6.8, 0},
	}
	for _, s := range springs {
		id := m.id()
		m.waters[s.name] = id
		sample := &labv1.WaterSample{Id: m.id(), Taken: m.day(0), HardnessMgPerL: &s.hardness, Ph: &s.ph}
		if s.iron > 0 { // not measured in the common water
			sample.IronMgPerL = &s.iron
		}
		m.send(s.owner, &labv1.CreateWaterSourceRequest{RequestId: m.id(), WaterSource: &labv1.WaterSource{
			Id: id, Name: s.name + " " + Mark, Kind: s.kind, Common: s.name == commonWater,
			Samples: []*labv1.WaterSample{sample},
		}})
	}
}

// experiments sets the two questions: one that reaches its closing size in the
// story, and one that doesn't.
func (m *maker) experiments() (weld, madder *labv1.Experiment) {
	set := func(title, dye string, closing int32) *labv1.Experiment {
		e := &labv1.Experiment{
			Id: m.id(), Title: title + " " + Mark, FirstDye: dye, SecondDye: "indigo",
			Arms: []labv1.ExperimentArm{
				labv1.ExperimentArm_EXPERIMENT_ARM_A, labv1.ExperimentArm_EXPERIMENT_ARM_B,
				labv1.ExperimentArm_EXPERIMENT_ARM_A_THEN_B, labv1.ExperimentArm_EXPERIMENT_ARM_B_THEN_A,
				labv1.ExperimentArm_EXPERIMENT_ARM_A_THEN_BLANK, labv1.ExperimentArm_EXPERIMENT_ARM_B_THEN_BLANK,
				labv1.ExperimentArm_EXPERIMENT_ARM_UNDYED,
			},
			ToleranceDe00: 2, ClosingSessions: closing, Instrument: instrument,
			Condition: &typesv1.ColourCondition{
				Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE,
			},
		}
		m.send(Coordinator, &labv1.CreateExperimentRequest{RequestId: m.id(), Experiment: e})
		return e
	}
	return set("Weld and indigo: which order is wider?", "weld", 7),
		set("Madder and indigo: which order is wider?", "madder", 6)
}

// day is a claimed time, to the day, some days after the story's clock.
func (m *maker) day(after int) *typesv1.ClaimedTime {
	t := m.clock.AddDate(0, 0, after).Truncate(24 * time.Hour).Add(12 * time.Hour)
	return &typesv1.ClaimedTime{
		Time: timestamppb.New(t), Precision: typesv1.TimePrecision_TIME_PRECISION_DAY, UtcOffsetMinutes: 60,
	}
}

func measured(value float64, unit typesv1.AmountUnit) *typesv1.Amount {
	return &typesv1.Amount{
		Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: &value, Unit: unit,
	}
}

func grams(g float64) *typesv1.Amount {
	return measured(round(g, 2), typesv1.AmountUnit_AMOUNT_UNIT_GRAM)
}

func litres(l float64) *typesv1.Amount {
	return measured(round(l, 1), typesv1.AmountUnit_AMOUNT_UNIT_LITRE)
}

func title(dye, member string) string {
	return fmt.Sprintf("%s over and under indigo, %s's pots %s", dye, member, Mark)
}
