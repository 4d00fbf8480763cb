package record

import (
	"math"
	"reflect"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// roundTrips are the messages that go to the domain and come back.
var roundTrips = []struct {
	name  string
	empty func() proto.Message
	there func(proto.Message) proto.Message // to the domain and back
}{
	{"trial", func() proto.Message { return &labv1.Trial{} }, func(m proto.Message) proto.Message {
		return TrialToProto(TrialFromProto(m.(*labv1.Trial)))
	}},
	{"bath", func() proto.Message { return &labv1.Bath{} }, func(m proto.Message) proto.Message {
		return BathToProto(BathFromProto(m.(*labv1.Bath)))
	}},
	{"piece", func() proto.Message { return &labv1.Piece{} }, func(m proto.Message) proto.Message {
		return PieceToProto(PieceFromProto(m.(*labv1.Piece)))
	}},
	{"water source", func() proto.Message { return &labv1.WaterSource{} }, func(m proto.Message) proto.Message {
		return WaterSourceToProto(WaterSourceFromProto(m.(*labv1.WaterSource)))
	}},
	{"experiment", func() proto.Message { return &labv1.Experiment{} }, func(m proto.Message) proto.Message {
		return ExperimentToProto(ExperimentFromProto(m.(*labv1.Experiment)))
	}},
	{"import row", func() proto.Message { return &labv1.ImportRow{} }, func(m proto.Message) proto.Message {
		return ImportRowToProto(ImportRowFromProto(m.(*labv1.ImportRow)))
	}},
}

// A field that somebody adds to a message and forgets here makes this fail.
func TestEveryFieldIsCarried(t *testing.T) {
	for _, c := range roundTrips {
		for variant := range 2 {
			t.Run(c.name, func(t *testing.T) {
				message := c.empty()
				fill(message.ProtoReflect(), &everything{variant: variant})
				requireFilled(t, message.ProtoReflect())
				setEtag(message)
				requireSame(t, message, c.there(message))
			})
		}
	}
}

// setEtag makes an etag what the record's revision says. It is the one field that the domain has no field for: it is another
// name of the revision, and a client's is compared and never kept.
func setEtag(message proto.Message) {
	fields := message.ProtoReflect().Descriptor().Fields()
	if field := fields.ByName("etag"); field != nil {
		revision := message.ProtoReflect().Get(fields.ByName("revision")).Int()
		message.ProtoReflect().Set(field, protoreflect.ValueOfString(etag(revision)))
	}
}

func TestEtagNamesTheRevision(t *testing.T) {
	kept := &trial.Trial{ID: "t", Revision: 71, DeletedAt: time.Unix(5, 0).UTC()}
	assert.Equal(t, `"r1z"`, TrialToProto(kept).GetEtag())
	assert.Equal(t, `"r1z"`, TrialSummaryToProto(kept).GetEtag())
	assert.Equal(t, kept.DeletedAt, TrialSummaryToProto(kept).GetDeleteTime().AsTime())
	assert.Equal(t, `"r1z"`, BathToProto(&trial.Bath{Revision: 71}).GetEtag())
	assert.Equal(t, `"r1z"`, WaterSourceToProto(&trial.WaterSource{Revision: 71}).GetEtag())
	assert.Equal(t, `"r1z"`, ExperimentToProto(&trial.Experiment{Revision: 71}).GetEtag())
	assert.Empty(t, TrialToProto(&trial.Trial{}).GetEtag(), "what was never kept has no version")
	assert.Equal(t, int64(3), TrialFromProto(&labv1.Trial{Revision: 3, Etag: `"r9"`}).Revision, "a client's etag is never kept")
}

func TestCorrectionsSayOnlyWhatTheyPutRight(t *testing.T) {
	entries := EntriesFromProto(&labv1.AddEntriesRequest{PieceCorrections: []*labv1.PieceCorrection{
		{PieceId: "p", Reason: "blank label", Label: proto.String("")}, {PieceId: "q", Reason: "empty fibre", Fibre: &typesv1.Fibre{}},
	}})
	require.Len(t, entries.Corrections, 2)
	assert.Nil(t, entries.Corrections[0].Mass)
	assert.Nil(t, entries.Corrections[0].Fibre)
	require.NotNil(t, entries.Corrections[0].Label, "an empty label isn't the same as none given")
	assert.Equal(t, &trial.Fibre{}, entries.Corrections[1].Fibre)
	assert.Nil(t, entries.Corrections[1].Label)
}

// requireFilled holds the filler itself to its word.
func requireFilled(t *testing.T, message protoreflect.Message) {
	t.Helper()
	fields := message.Descriptor().Fields()
	for i := range fields.Len() {
		field := fields.Get(i)
		if oneof := field.ContainingOneof(); oneof != nil && !oneof.IsSynthetic() {
			require.NotNil(t, message.WhichOneof(oneof), "%s", oneof.FullName())
			continue
		}
		if field.FullName() == "google.protobuf.Timestamp.nanos" {
			continue
		}
		require.True(t, message.Has(field), "%s was not filled", field.FullName())
		if field.Message() != nil && !field.IsList() {
			requireFilled(t, message.Get(field).Message())
		}
	}
}

func requireSame(t require.TestingT, want, got proto.Message) {
	if !proto.Equal(want, got) {
		require.Equal(t, protojson.Format(want), protojson.Format(got))
		require.Fail(t, "messages differ")
	}
}

// The same from the domain's side: no field of a domain type is dropped.
func TestEveryDomainFieldIsCarried(t *testing.T) {
	next := 0
	filled := func(pointer any) {
		fillValue(t, reflect.ValueOf(pointer).Elem(), &next)
	}

	var tr trial.Trial
	filled(&tr)
	for i := range tr.Looks {
		if i%2 == 0 {
			tr.Looks[i].BathID = ""
		} else {
			tr.Looks[i].PieceID = ""
		}
		tr.Readings[i].Raw.Lab = nil
	}
	body, err := EncodeTrial(&tr)
	require.NoError(t, err)
	gotTrial, err := DecodeTrial(body)
	require.NoError(t, err)
	require.Equal(t, &tr, gotTrial)

	var bath trial.Bath
	filled(&bath)
	body, err = EncodeBath(&bath)
	require.NoError(t, err)
	gotBath, err := DecodeBath(body)
	require.NoError(t, err)
	require.Equal(t, &bath, gotBath)

	var water trial.WaterSource
	filled(&water)
	body, err = EncodeWaterSource(&water)
	require.NoError(t, err)
	gotWater, err := DecodeWaterSource(body)
	require.NoError(t, err)
	require.Equal(t, &water, gotWater)

	var experiment trial.Experiment
	filled(&experiment)
	body, err = EncodeExperiment(&experiment)
	require.NoError(t, err)
	gotExperiment, err := DecodeExperiment(body)
	require.NoError(t, err)
	require.Equal(t, &experiment, gotExperiment)
}

func fillValue(t *testing.T, v reflect.Value, next *int) {
	t.Helper()
	*next++
	if v.Type() == reflect.TypeFor[time.Time]() {
		v.Set(reflect.ValueOf(time.Unix(int64(1_700_000_000+*next), int64(*next)).UTC()))
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			fillValue(t, v.Field(i), next)
		}
		if amount, ok := v.Addr().Interface().(*trial.Amount); ok {
			amount.Knowledge = trial.Measured
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for i := range v.Len() {
			fillValue(t, v.Index(i), next)
		}
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fillValue(t, v.Elem(), next)
	case reflect.String:
		v.SetString("text " + string(rune('a'+*next%26)))
	case reflect.Int, reflect.Int64:
		v.SetInt(int64(1 + *next%5))
	case reflect.Float64:
		v.SetFloat(float64(*next) / 8)
	case reflect.Bool:
		v.SetBool(true)
	default:
		require.Fail(t, "a field of kind "+v.Kind().String()+", which the test doesn't fill yet")
	}
}

// drawn fills a message as a property test decides.
type drawn struct{ t *rapid.T }

func (d drawn) present(protoreflect.FieldDescriptor) bool {
	return rapid.IntRange(0, 9).Draw(d.t, "present") > 0
}
func (d drawn) length(protoreflect.FieldDescriptor) int {
	return rapid.IntRange(0, 2).Draw(d.t, "length")
}
func (d drawn) number(low, high int) int { return rapid.IntRange(low, high).Draw(d.t, "number") }
func (d drawn) text() string             { return rapid.StringN(1, 12, -1).Draw(d.t, "text") }

func TestRoundTripProperty(t *testing.T) {
	for _, c := range roundTrips {
		t.Run(c.name, rapid.MakeCheck(func(t *rapid.T) {
			message := c.empty()
			fill(message.ProtoReflect(), drawn{t})
			prune(message.ProtoReflect())
			setEtag(message)
			if row, ok := message.(*labv1.ImportRow); ok && row.Reading == nil {
				row.Reading = &labv1.Reading{}
			}
			requireSame(t, message, c.there(message))
		}))
	}
}

// prune takes out messages that are present and say nothing, which is the same
// as absent, except where presence itself speaks: list elements and members of a oneof.
func prune(message protoreflect.Message) {
	fields := message.Descriptor().Fields()
	for i := range fields.Len() {
		field := fields.Get(i)
		if field.Message() == nil || !message.Has(field) {
			continue
		}
		if field.IsList() {
			list := message.Get(field).List()
			for n := range list.Len() {
				prune(list.Get(n).Message())
			}
			continue
		}
		child := message.Get(field).Message()
		prune(child)
		if field.ContainingOneof() == nil && proto.Size(child.Interface()) == 0 {
			message.Clear(field)
		}
	}
}

func TestEncodingIsDeterministic(t *testing.T) {
	message := &labv1.Trial{}
	fill(message.ProtoReflect(), &everything{})
	tr := TrialFromProto(message)
	first, err := EncodeTrial(tr)
	require.NoError(t, err)
	for range 20 {
		again, err := EncodeTrial(TrialFromProto(message))
		require.NoError(t, err)
		require.Equal(t, first, again)
	}
}

func TestUnstatedStaysUnstated(t *testing.T) {
	reading := ReadingFromProto(&labv1.Reading{})
	assert.Equal(t, trial.AgeUnstated, reading.AgeDays)
	assert.Nil(t, ReadingToProto(reading).AgeDays)

	assert.Equal(t, trial.AfterAll, reading.AfterPosition)
	assert.Nil(t, ReadingToProto(reading).AfterPosition)

	zero := int32(0)
	reading = ReadingFromProto(&labv1.Reading{AgeDays: &zero, AfterPosition: &zero})
	assert.Equal(t, 0, reading.AgeDays, "read on the day of dyeing isn't the same as not stated")
	assert.NotNil(t, ReadingToProto(reading).AgeDays)
	assert.Equal(t, 0, reading.AfterPosition, "read before the first bath isn't the same as not placed")
	assert.NotNil(t, ReadingToProto(reading).AfterPosition)

	value := 4.0
	handful := AmountFromProto(&typesv1.Amount{
		Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_NOT_KNOWN, Value: &value, Note: "a handful",
	})
	assert.False(t, handful.Known())
	assert.Zero(t, handful.Value)
	assert.Equal(t, "a handful", handful.Note)
	assert.Nil(t, AmountToProto(handful).Value)

	measuredNothing := trial.Amount{Knowledge: trial.Measured, Unit: trial.Gram}
	assert.Equal(t, measuredNothing, AmountFromProto(AmountToProto(measuredNothing)), "0 g is a measured value")

	assert.Nil(t, ClaimedTimeToProto(trial.ClaimedTime{}))
	assert.Nil(t, FibreToProto(trial.Fibre{}))
	assert.Nil(t, RouteToProto(trial.Route{}))
}

func TestAbsentMessagesAreZeroValues(t *testing.T) {
	assert.Equal(t, &trial.Trial{}, TrialFromProto(nil))
	assert.Equal(t, &trial.Bath{}, BathFromProto(nil))
	assert.Equal(t, &trial.Piece{}, PieceFromProto(nil))
	assert.Equal(t, &trial.WaterSource{}, WaterSourceFromProto(nil))
	assert.Equal(t, &trial.Experiment{}, ExperimentFromProto(nil))
	assert.Equal(t, trial.Entries{}, EntriesFromProto(nil))
	assert.Equal(t, trial.BathEntries{}, BathEntriesFromProto(nil))
	assert.Equal(t, &trial.Check{}, CheckFromProto(nil))
	assert.Equal(t, &trial.WaterSample{}, WaterSampleFromProto(nil))
}

func TestAbsurdFiguresStayAbsurd(t *testing.T) {
	assert.EqualValues(t, math.MaxInt32, int32Of(math.MaxInt))
	assert.EqualValues(t, math.MinInt32, int32Of(math.MinInt))
	_, err := EncodeTrial(&trial.Trial{Title: "\xff"})
	require.Error(t, err)
}

// The conversions rest on equal numbers.
func TestEnumsAgree(t *testing.T) {
	same := func(domain int, message protoreflect.Enum, name string) {
		t.Helper()
		assert.EqualValues(t, domain, message.Number())
		assert.EqualValues(t, name, message.Descriptor().Values().ByNumber(message.Number()).Name())
	}
	same(int(trial.Measured), typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, "AMOUNT_KNOWLEDGE_MEASURED")
	same(int(trial.Estimated), typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_ESTIMATED, "AMOUNT_KNOWLEDGE_ESTIMATED")
	same(int(trial.NotKnown), typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_NOT_KNOWN, "AMOUNT_KNOWLEDGE_NOT_KNOWN")
	same(int(trial.Gram), typesv1.AmountUnit_AMOUNT_UNIT_GRAM, "AMOUNT_UNIT_GRAM")
	same(int(trial.Litre), typesv1.AmountUnit_AMOUNT_UNIT_LITRE, "AMOUNT_UNIT_LITRE")
	same(int(trial.ToMinute), typesv1.TimePrecision_TIME_PRECISION_MINUTE, "TIME_PRECISION_MINUTE")
	same(int(trial.ToHour), typesv1.TimePrecision_TIME_PRECISION_HOUR, "TIME_PRECISION_HOUR")
	same(int(trial.ToDay), typesv1.TimePrecision_TIME_PRECISION_DAY, "TIME_PRECISION_DAY")
	same(int(trial.ToMonth), typesv1.TimePrecision_TIME_PRECISION_MONTH, "TIME_PRECISION_MONTH")
	same(int(trial.AirDry), typesv1.WeighingBasis_WEIGHING_BASIS_AIR_DRY, "WEIGHING_BASIS_AIR_DRY")
	same(int(trial.OvenDry), typesv1.WeighingBasis_WEIGHING_BASIS_OVEN_DRY, "WEIGHING_BASIS_OVEN_DRY")
	same(int(trial.Split), labv1.OriginKind_ORIGIN_KIND_SPLIT, "ORIGIN_KIND_SPLIT")
	same(int(trial.Taken), labv1.OriginKind_ORIGIN_KIND_TAKEN, "ORIGIN_KIND_TAKEN")
	same(int(trial.Pale), labv1.Depth_DEPTH_PALE, "DEPTH_PALE")
	same(int(trial.Medium), labv1.Depth_DEPTH_MEDIUM, "DEPTH_MEDIUM")
	same(int(trial.Deep), labv1.Depth_DEPTH_DEEP, "DEPTH_DEEP")
	same(int(trial.IlluminantD65), typesv1.Illuminant_ILLUMINANT_D65, "ILLUMINANT_D65")
	same(int(trial.IlluminantA), typesv1.Illuminant_ILLUMINANT_A, "ILLUMINANT_A")
	same(int(trial.Observer2), typesv1.Observer_OBSERVER_CIE_1931_2_DEGREE, "OBSERVER_CIE_1931_2_DEGREE")
	same(int(trial.Observer10), typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE, "OBSERVER_CIE_1964_10_DEGREE")
	same(int(trial.SpecularIncluded), typesv1.SpecularMode_SPECULAR_MODE_INCLUDED, "SPECULAR_MODE_INCLUDED")
	same(int(trial.SpecularExcluded), typesv1.SpecularMode_SPECULAR_MODE_EXCLUDED, "SPECULAR_MODE_EXCLUDED")
	for state, name := range map[trial.PieceState]string{
		trial.Wet: "WET", trial.Damp: "DAMP", trial.Dry: "DRY", trial.Finished: "FINISHED",
		trial.Washed: "WASHED", trial.Exposed: "EXPOSED",
	} {
		same(int(state), labv1.PieceState(state), "PIECE_STATE_"+name)
	}
	for level, name := range map[trial.SharingLevel]string{
		trial.Mine: "MINE", trial.Cooperative: "COOPERATIVE", trial.Public: "PUBLIC",
	} {
		same(int(level), typesv1.SharingLevel(level), "SHARING_LEVEL_"+name)
	}
	for state, name := range map[trial.State]string{
		trial.Planned: "PLANNED", trial.Begun: "BEGUN", trial.FinishedTrial: "FINISHED", trial.Abandoned: "ABANDONED",
	} {
		same(int(state), labv1.TrialState(state), "TRIAL_STATE_"+name)
	}
	for purpose, name := range map[trial.Purpose]string{
		trial.Scour: "SCOUR", trial.MordantBath: "MORDANT", trial.TanninBath: "TANNIN", trial.DyeBath: "DYE",
		trial.Vat: "VAT", trial.ModifierBath: "MODIFIER", trial.Rinse: "RINSE",
	} {
		same(int(purpose), labv1.BathPurpose(purpose), "BATH_PURPOSE_"+name)
	}
	for role, name := range map[trial.Role]string{
		trial.Dye: "DYE", trial.Mordant: "MORDANT", trial.Tannin: "TANNIN", trial.Assist: "ASSIST", trial.Modifier: "MODIFIER",
	} {
		same(int(role), labv1.AdditionRole(role), "ADDITION_ROLE_"+name)
	}
	for arm, name := range map[trial.Arm]string{
		trial.ArmA: "A", trial.ArmB: "B", trial.ArmAThenB: "A_THEN_B", trial.ArmBThenA: "B_THEN_A",
		trial.ArmAThenBlank: "A_THEN_BLANK", trial.ArmBThenBlank: "B_THEN_BLANK", trial.ArmUndyed: "UNDYED",
	} {
		same(int(arm), labv1.ExperimentArm(arm), "EXPERIMENT_ARM_"+name)
	}
	for asks, name := range map[trial.Asks]string{
		trial.AsksOrders: "ORDERS", trial.AsksWaters: "WATERS", trial.AsksFibres: "FIBRES", trial.AsksMordants: "MORDANTS", trial.AsksExhaustBaths: "EXHAUST_BATHS",
	} {
		same(int(asks), labv1.ExperimentAsks(asks), "EXPERIMENT_ASKS_"+name)
	}
	for figure, name := range map[trial.WaterFigure]string{
		trial.Hardness: "HARDNESS", trial.Alkalinity: "ALKALINITY", trial.PH: "PH", trial.Iron: "IRON",
	} {
		same(int(figure), labv1.WaterFigure(figure), "WATER_FIGURE_"+name)
	}
	for kind, name := range map[trial.ChangeKind]string{
		trial.Created: "CREATED", trial.Changed: "CHANGED", trial.RoutesChanged: "ROUTES_CHANGED",
		trial.Shared: "SHARED", trial.Withdrawn: "WITHDRAWN", trial.Deleted: "DELETED", trial.Undeleted: "UNDELETED",
	} {
		same(int(kind), labv1.ChangeKind(kind), "CHANGE_KIND_"+name)
	}
	for outcome, name := range map[trial.ImportOutcome]string{
		trial.ImportAdded: "ADDED", trial.ImportUnchanged: "UNCHANGED", trial.ImportUpdated: "UPDATED",
		trial.ImportConflict: "CONFLICT", trial.ImportRefused: "REFUSED",
	} {
		same(int(outcome), labv1.ImportOutcome(outcome), "IMPORT_OUTCOME_"+name)
	}
}

// Whatever bytes arrive: an error or a record, and a record can be encoded
// and read again as the same.
func FuzzDecode(f *testing.F) {
	for _, c := range roundTrips {
		message := c.empty()
		fill(message.ProtoReflect(), &everything{})
		body, err := proto.Marshal(message)
		require.NoError(f, err)
		f.Add(body)
	}
	f.Add([]byte{})
	f.Add([]byte{0x0a, 0xff, 0xff, 0xff, 0xff, 0x0f})
	f.Add([]byte{0x72, 0x0b, 0x08, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x7f, 0x10})
	f.Fuzz(func(t *testing.T, body []byte) {
		if tr, err := DecodeTrial(body); err == nil {
			again, err := EncodeTrial(tr)
			require.NoError(t, err)
			back, err := DecodeTrial(again)
			require.NoError(t, err)
			third, err := EncodeTrial(back)
			require.NoError(t, err)
			require.Equal(t, again, third)
			_ = TrialSummaryToProto(tr)
		}
		if bath, err := DecodeBath(body); err == nil {
			again, err := EncodeBath(bath)
			require.NoError(t, err)
			_, err = DecodeBath(again)
			require.NoError(t, err)
		}
		if water, err := DecodeWaterSource(body); err == nil {
			_, err := EncodeWaterSource(water)
			require.NoError(t, err)
		}
		if experiment, err := DecodeExperiment(body); err == nil {
			_, err := EncodeExperiment(experiment)
			require.NoError(t, err)
		}
		row := &labv1.ImportRow{}
		if proto.Unmarshal(body, row) == nil {
			_ = ImportRowToProto(ImportRowFromProto(row))
		}
	})
}
