package validate

import (
	"math"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// requests are the request messages of every service that the core offers.
func requests() []protoreflect.MessageDescriptor {
	var all []protoreflect.MessageDescriptor
	for _, file := range []protoreflect.FileDescriptor{
		labv1.File_commonvat_lab_v1_trial_proto, labv1.File_commonvat_lab_v1_bath_proto, labv1.File_commonvat_lab_v1_water_proto,
		labv1.File_commonvat_lab_v1_experiment_proto, labv1.File_commonvat_lab_v1_import_proto, labv1.File_commonvat_lab_v1_history_proto,
		accessv1.File_commonvat_access_v1_access_proto, accessv1.File_commonvat_access_v1_audit_proto, catalogv1.File_commonvat_catalog_v1_catalog_proto, catalogv1.File_commonvat_catalog_v1_pack_proto, catalogv1.File_commonvat_catalog_v1_run_proto, poolv1.File_commonvat_pool_v1_pool_proto,
		benchv1.File_commonvat_bench_v1_bench_proto,
	} {
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for j := range methods.Len() {
				all = append(all, methods.Get(j).Input())
			}
		}
	}
	return all
}

// Every field of every message that can come in has a check, or a stated reason for having none.
func TestEveryFieldIsCheckedOrExcused(t *testing.T) {
	require.Greater(t, len(requests()), 20)
	seen := map[protoreflect.FullName]bool{}
	var walk func(m protoreflect.MessageDescriptor)
	walk = func(m protoreflect.MessageDescriptor) {
		if seen[m.FullName()] || m.FullName() == "google.protobuf.Timestamp" {
			return
		}
		seen[m.FullName()] = true
		table, ok := declared[string(m.FullName())]
		if !assert.True(t, ok, "%s has no table", m.FullName()) {
			return
		}
		for i := range m.Fields().Len() {
			fd := m.Fields().Get(i)
			_, checked := table.fields[fd.Name()]
			reason, excused := table.unchecked[fd.Name()]
			assert.NotEqual(t, checked, excused, "%s needs either a check or a reason for having none", fd.FullName())
			if excused {
				assert.NotEmpty(t, reason, "%s", fd.FullName())
			}
			if checked && fd.Message() != nil {
				walk(fd.Message())
			}
		}
		for field := range table.unchecked {
			assert.NotNil(t, m.Fields().ByName(field), "%s.%s is excused and isn't there", m.FullName(), field)
		}
	}
	for _, request := range requests() {
		walk(request)
	}
	for key := range declared {
		name, _, _ := strings.Cut(key, "#")
		assert.True(t, seen[protoreflect.FullName(name)], "%s has a table and can't come in", key)
		for _, m := range requests() { // the variants of a table leave nothing out either
			if m.FullName() == protoreflect.FullName(name) {
				assert.NotContains(t, key, "#", "a request has one table")
			}
		}
	}
}

const (
	id1 = "0190f3c4-0000-7000-8000-000000000001"
	id2 = "0190f3c4-0000-7000-8000-000000000002"
	id3 = "0190f3c4-0000-7000-8000-000000000003"
	id4 = "0190f3c4-0000-7000-8000-000000000004"
	id5 = "0190f3c4-0000-7000-8000-000000000005"
	id6 = "0190f3c4-0000-7000-8000-000000000006"
)

func grams(v float64) *typesv1.Amount {
	return &typesv1.Amount{
		Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: &v, Unit: typesv1.AmountUnit_AMOUNT_UNIT_GRAM,
	}
}

func wool() *typesv1.Fibre {
	return &typesv1.Fibre{Composition: []*typesv1.FibrePart{{Fibre: "wool", Percent: 100}}}
}

// submit is a small request without faults.
func submit() *labv1.SubmitTrialRequest {
	return &labv1.SubmitTrialRequest{
		RequestId: id1,
		Trial: &labv1.Trial{
			Id: id2, Title: "yellow over blue",
			Pieces:     []*labv1.Piece{{Id: id3, Fibre: wool(), Mass: grams(3)}},
			Immersions: []*labv1.Immersion{{Id: id4, PieceId: id3, BathId: id5, Position: 1}},
			Readings: []*labv1.Reading{{Id: id6, PieceId: id3, Raw: &typesv1.RawColour{Value: &typesv1.RawColour_Lab{Lab: &typesv1.Lab{L: 50}},
				LabCondition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}}}},
		},
		Baths: []*labv1.Bath{{Id: id5, Label: "weld pot", Purposes: []labv1.BathPurpose{labv1.BathPurpose_BATH_PURPOSE_DYE}}},
	}
}

// The form of RFC 9562, section 4, as an expression.
func TestUUIDForm(t *testing.T) {
	form := regexp.MustCompile(`^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$`)
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[0-9a-g]{7,8}-[0-9a-fA]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}`).Draw(t, "text")
		require.Equal(t, form.MatchString(text), validUUID(text), text)
	})
	assert.False(t, validUUID("00000000-0000-0000-0000-000000000000"))
}

func TestGoodRequestPasses(t *testing.T) { require.NoError(t, Message(submit())) }

// Each change makes one fault, told by its field and with the allowed range.
func TestFaults(t *testing.T) {
	trialOf := func(change func(*labv1.Trial)) func(*labv1.SubmitTrialRequest) {
		return func(m *labv1.SubmitTrialRequest) { change(m.GetTrial()) }
	}
	value := func(v float64) *float64 { return &v }
	for name, c := range map[string]struct {
		change func(*labv1.SubmitTrialRequest)
		field  string
		says   string
	}{
		"no request id": {func(m *labv1.SubmitTrialRequest) { m.RequestId = "" }, "request_id", "is required"},
		"upper case id": {func(m *labv1.SubmitTrialRequest) { m.RequestId = strings.ToUpper(m.RequestId) + "" }, "request_id", ""},
		"short id":      {trialOf(func(m *labv1.Trial) { m.Id = "abc" }), "trial.id", "allowed: a UUID"},
		"version 4":     {trialOf(func(m *labv1.Trial) { m.Id = "0190f3c4-0000-4000-8000-000000000002" }), "trial.id", "allowed: version 7"},
		"id twice": {trialOf(func(m *labv1.Trial) { m.Pieces[0].Id = id2 }), "trial.pieces[0].id",
			"already the id of trial.id"},
		"id twice, in a bath": {func(m *labv1.SubmitTrialRequest) { m.Baths[0].Id = id4 }, "baths[0].id", "already the id of trial.immersions[0].id"},
		"no trial":            {func(m *labv1.SubmitTrialRequest) { m.Trial = nil }, "trial", "is required"},
		"no title":            {trialOf(func(m *labv1.Trial) { m.Title = "" }), "trial.title", "allowed: 1 to 120 characters"},
		"blank title":         {trialOf(func(m *labv1.Trial) { m.Title = "   " }), "trial.title", "is blank"},
		"long title":          {trialOf(func(m *labv1.Trial) { m.Title = strings.Repeat("ü", 121) }), "trial.title", "has 121 characters; allowed: 1 to 120"},
		"control character":   {trialOf(func(m *labv1.Trial) { m.Title = "a\x1b[2Jb" }), "trial.title", "control characters"},
		"unknown state":       {trialOf(func(m *labv1.Trial) { m.State = 77 }), "trial.state", "77 is unknown; allowed: TRIAL_STATE_UNSPECIFIED"},
		"abandoned without reason": {trialOf(func(m *labv1.Trial) { m.State = labv1.TrialState_TRIAL_STATE_ABANDONED }),
			"trial.abandoned_reason", "is required"},
		"too many sessions": {trialOf(func(m *labv1.Trial) { m.Sessions = make([]*labv1.Session, 51) }), "trial.sessions", "has 51 of them; allowed: 0 to 50"},
		"negative mass":     {trialOf(func(m *labv1.Trial) { m.Pieces[0].Mass = grams(-3) }), "trial.pieces[0].mass.value", "-3 is out of range; allowed: 0 to 1000000"},
		"NaN mass":          {trialOf(func(m *labv1.Trial) { m.Pieces[0].Mass = grams(math.NaN()) }), "trial.pieces[0].mass.value", "NaN is not a number"},
		"infinite mass":     {trialOf(func(m *labv1.Trial) { m.Pieces[0].Mass = grams(math.Inf(1)) }), "trial.pieces[0].mass.value", "+Inf is not a number"},
		"no mass":           {trialOf(func(m *labv1.Trial) { m.Pieces[0].Mass = nil }), "trial.pieces[0].mass", "is required"},
		"mass without unit": {trialOf(func(m *labv1.Trial) { m.Pieces[0].Mass.Unit = 0 }), "trial.pieces[0].mass.unit", "is required"},
		"mass in litres": {trialOf(func(m *labv1.Trial) { m.Pieces[0].Mass.Unit = typesv1.AmountUnit_AMOUNT_UNIT_LITRE }),
			"trial.pieces[0].mass.unit", "allowed: AMOUNT_UNIT_GRAM"},
		"unknown unit": {trialOf(func(m *labv1.Trial) { m.Pieces[0].Mass.Unit = 9 }), "trial.pieces[0].mass.unit", "9 is unknown"},
		"not known with a value": {trialOf(func(m *labv1.Trial) {
			m.Pieces[0].Mass = &typesv1.Amount{Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_NOT_KNOWN, Value: value(3)}
		}), "trial.pieces[0].mass.value", "allowed with AMOUNT_KNOWLEDGE_NOT_KNOWN: none"},
		"no fibre":      {trialOf(func(m *labv1.Trial) { m.Pieces[0].Fibre = nil }), "trial.pieces[0].fibre", "is required"},
		"half a fibre":  {trialOf(func(m *labv1.Trial) { m.Pieces[0].Fibre.Composition[0].Percent = 50 }), "trial.pieces[0].fibre.composition", "adds up to 50 percent"},
		"Wool":          {trialOf(func(m *labv1.Trial) { m.Pieces[0].Fibre.Composition[0].Fibre = "Wool" }), "trial.pieces[0].fibre.composition[0].fibre", "lower case"},
		"position 0":    {trialOf(func(m *labv1.Trial) { m.Immersions[0].Position = 0 }), "trial.immersions[0].position", "0 is out of range; allowed: 1 to 10000"},
		"own parent":    {trialOf(func(m *labv1.Trial) { m.Pieces[0].Origin = &labv1.PieceOrigin{ParentPieceId: id3, Kind: 2} }), "trial.pieces[0].origin.parent_piece_id", "is the piece itself"},
		"nil reference": {trialOf(func(m *labv1.Trial) { m.Immersions[0].BathId = "00000000-0000-0000-0000-000000000000" }), "trial.immersions[0].bath_id", "not an id"},
		"left before entered": {trialOf(func(m *labv1.Trial) {
			m.Immersions[0].Entered = &typesv1.ClaimedTime{Time: &timestamppb.Timestamp{Seconds: 1e9}, Precision: 3}
			m.Immersions[0].Left = &typesv1.ClaimedTime{Time: &timestamppb.Timestamp{Seconds: 1e9 - 90000}, Precision: 3}
		}), "trial.immersions[0].left", "is before entered"},
		"time without precision": {trialOf(func(m *labv1.Trial) {
			m.Immersions[0].Entered = &typesv1.ClaimedTime{Time: &timestamppb.Timestamp{Seconds: 1e9}}
		}), "trial.immersions[0].entered.precision", "is required"},
		"the year 10000": {trialOf(func(m *labv1.Trial) {
			m.Immersions[0].Entered = &typesv1.ClaimedTime{Time: &timestamppb.Timestamp{Seconds: 253402300800}, Precision: 3}
		}), "trial.immersions[0].entered.time", "allowed: a time from 1900 to 2199"},
		"no colour":                {trialOf(func(m *labv1.Trial) { m.Readings[0].Raw.Value = nil }), "trial.readings[0].raw", "one of spectrum, lab"},
		"Lab without condition":    {trialOf(func(m *labv1.Trial) { m.Readings[0].Raw.LabCondition = nil }), "trial.readings[0].raw.lab_condition", "is required with lab"},
		"impossible lightness":     {trialOf(func(m *labv1.Trial) { m.Readings[0].Raw.GetLab().L = 151 }), "trial.readings[0].raw.lab.l", "allowed: 0 to 150"},
		"infinite a*":              {trialOf(func(m *labv1.Trial) { m.Readings[0].Raw.GetLab().A = math.Inf(-1) }), "trial.readings[0].raw.lab.a", "-Inf"},
		"public without a licence": {trialOf(func(m *labv1.Trial) { m.Sharing = &typesv1.Sharing{Level: 3} }), "trial.sharing.licence", "is required"},
		"bath without purpose":     {func(m *labv1.SubmitTrialRequest) { m.Baths[0].Purposes = nil }, "baths[0].purposes", "is required"},
		"purpose twice":            {func(m *labv1.SubmitTrialRequest) { m.Baths[0].Purposes = []labv1.BathPurpose{4, 4} }, "baths[0].purposes[1]", "twice"},
		"check that says nothing": {func(m *labv1.SubmitTrialRequest) {
			m.Baths[0].Checks = []*labv1.Check{{Id: "0190f3c4-0000-7000-8000-000000000009"}}
		}, "baths[0].checks[0]", "says nothing"},
		"pH 15": {func(m *labv1.SubmitTrialRequest) {
			m.Baths[0].Checks = []*labv1.Check{{Id: "0190f3c4-0000-7000-8000-000000000009", Ph: value(15)}}
		}, "baths[0].checks[0].ph", "15 is out of range; allowed: 0 to 14"},
		"field of a later version": {trialOf(func(m *labv1.Trial) { m.ProtoReflect().SetUnknown([]byte{0xa0, 0x3f, 0x01}) }), "trial", "doesn't know"},
	} {
		t.Run(name, func(t *testing.T) {
			m := submit()
			c.change(m)
			if name == "upper case id" {
				m.RequestId = strings.ToUpper("0190f3c4-0000-7000-8000-00000000000a")
				c.says = "in lower case"
			}
			err := Message(m)
			var faults trial.Faults
			require.ErrorAs(t, err, &faults)
			require.ErrorIs(t, err, trial.ErrInvalid)
			require.Len(t, faults, 1, "%v", faults)
			assert.Equal(t, c.field, faults[0].Field)
			assert.Contains(t, faults[0].Text, c.says)
		})
	}
}

func TestSpectrum(t *testing.T) {
	good := func() *typesv1.Spectrum {
		return &typesv1.Spectrum{StartNm: 400, StepNm: 10, Reflectance: make([]float64, 31)}
	}
	check := func(s *typesv1.Spectrum) error {
		m := submit()
		m.Trial.Readings[0].Raw = &typesv1.RawColour{Value: &typesv1.RawColour_Spectrum{Spectrum: s}}
		return Message(m)
	}
	require.NoError(t, check(good()))
	for says, change := range map[string]func(*typesv1.Spectrum){
		"reflectance[3]: 2.5 is out of range; allowed: 0 to 2": func(s *typesv1.Spectrum) { s.Reflectance[3] = 2.5 },
		"reflectance[0]: NaN": func(s *typesv1.Spectrum) { s.Reflectance[0] = math.NaN() },
		"step_nm: 7 is":       func(s *typesv1.Spectrum) { s.StepNm = 7 },
		"start_nm: NaN":       func(s *typesv1.Spectrum) { s.StartNm = math.NaN() },
		"reflectance: has 7":  func(s *typesv1.Spectrum) { s.Reflectance = make([]float64, 7) },
	} {
		s := good()
		change(s)
		assert.ErrorContains(t, check(s), says)
	}
}

// All faults come at once, and a request of nothing but faults doesn't get an endless answer.
func TestAllFaultsAtOnce(t *testing.T) {
	m := submit()
	m.RequestId, m.Trial.Title, m.Trial.Pieces[0].Mass = "x", "", grams(-1)
	var faults trial.Faults
	require.ErrorAs(t, Message(m), &faults)
	assert.Len(t, faults, 3)

	m = submit()
	m.Trial.Looks = make([]*labv1.Look, 5000)
	for i := range m.Trial.Looks {
		m.Trial.Looks[i] = &labv1.Look{}
	}
	require.ErrorAs(t, Message(m), &faults)
	assert.Len(t, faults, maxFaults+1)
	assert.Contains(t, faults[maxFaults].Text, "and 14900 more faults")
}

// What a client sends in fields that are output only is ignored, whatever it is.
func TestOutputOnlyIsIgnored(t *testing.T) {
	m := submit()
	m.Trial.Owner, m.Trial.Revision = strings.Repeat("x", 1000), -1
	m.Trial.Pieces[0].Route = &labv1.Route{Layers: []*labv1.Layer{{DeliveredPercentWof: proto.Float64(math.NaN())}}}
	require.NoError(t, Message(m))
}

func TestImportRowIsCheckedByItself(t *testing.T) {
	row := &labv1.ImportRow{RowKey: "1", Fibre: wool(), Reading: submit().GetTrial().GetReadings()[0]}
	err := Message(row)
	assert.ErrorContains(t, err, "reading.id: must be empty")
	assert.ErrorContains(t, err, "reading.piece_id: must be empty")
	row.Reading.Id, row.Reading.PieceId = "", ""
	require.NoError(t, Message(row))
	// A row's faults aren't the request's, so that the good rows go in.
	require.NoError(t, Message(&labv1.ImportReadingsRequest{Source: "meter", Rows: []*labv1.ImportRow{{}, row}}))
}

func TestUnknownMessageIsRefused(t *testing.T) {
	require.ErrorIs(t, Message(&labv1.Route{}), trial.ErrInvalid)
}

// FuzzMessage makes random messages of every request from their descriptors: the validator never
// panics, never passes a NaN or an infinity where it looks, and says which field.
func FuzzMessage(f *testing.F) {
	all := requests()
	for i := range all {
		f.Add(uint64(i), uint64(i)*7919)
	}
	f.Fuzz(func(t *testing.T, which, seed uint64) {
		message := dynamic(all[which%uint64(len(all))])
		fill(message.ProtoReflect(), rand.New(rand.NewPCG(seed, which)), 0)
		err := Message(message)
		if err == nil {
			return
		}
		var faults trial.Faults
		require.ErrorAs(t, err, &faults)
		require.LessOrEqual(t, len(faults), maxFaults+1)
		for _, fault := range faults {
			require.NotEmpty(t, fault.Text)
		}
		// The same bytes have the same faults.
		body, err := proto.Marshal(message)
		require.NoError(t, err)
		again := dynamic(all[which%uint64(len(all))])
		require.NoError(t, proto.Unmarshal(body, again))
		require.Equal(t, faults.Error(), Message(again).Error())
	})
}
