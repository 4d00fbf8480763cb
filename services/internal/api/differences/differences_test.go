package differences

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

func grams(v float64) *typesv1.Amount {
	return &typesv1.Amount{Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: &v, Unit: typesv1.AmountUnit_AMOUNT_UNIT_GRAM}
}

func fibre(name string) *typesv1.Fibre {
	return &typesv1.Fibre{Composition: []*typesv1.FibrePart{{Fibre: name, Percent: 100}}}
}

// hank is an invented trial of three pieces that were read once each.
func hank() *labv1.Trial {
	t := &labv1.Trial{Id: "t", Owner: "ash", Title: "Hank (invented)", State: labv1.TrialState_TRIAL_STATE_BEGUN,
		Sharing:  &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_MINE},
		Sessions: []*labv1.Session{{Id: "s"}}, Revision: 4, Etag: "four", UpdateTime: timestamppb.New(timestamppb.Now().AsTime())}
	for _, id := range []string{"1", "2", "3"} {
		t.Pieces = append(t.Pieces, &labv1.Piece{Id: "p" + id, Code: "K" + id, Holder: "ash", Mass: grams(3), Fibre: fibre("wool"), Route: &labv1.Route{Text: "weld"}})
		t.Readings = append(t.Readings, &labv1.Reading{Id: "r" + id, PieceId: "p" + id, RecordedBy: "ash"})
	}
	return t
}

func TestOfATrial(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*labv1.Trial)
		want   []string
	}{
		"nothing": {func(*labv1.Trial) {}, nil},
		"bookkeeping alone": {func(m *labv1.Trial) {
			m.Revision, m.Etag, m.UpdateTime = 9, "nine", timestamppb.New(m.GetUpdateTime().AsTime().AddDate(0, 0, 1))
		}, nil},
		"title and question": {func(m *labv1.Trial) { m.Title, m.Question = "Two hanks", "why" }, []string{"title", "question"}},
		"readings added": {func(m *labv1.Trial) {
			m.Readings = append(m.Readings, &labv1.Reading{Id: "r4"}, &labv1.Reading{Id: "r5"})
		}, []string{"2 readings added"}},
		"a reading corrected": {func(m *labv1.Trial) {
			m.Readings[0].Superseded = true
			m.Readings = append(m.Readings, &labv1.Reading{Id: "r4", Corrects: &typesv1.Correction{EntryId: "r1", Reason: "wet"}})
		}, []string{"1 reading corrected"}},
		"one corrected, another added": {func(m *labv1.Trial) {
			m.Readings[0].Superseded = true
			m.Readings = append(m.Readings, &labv1.Reading{Id: "r4", Corrects: &typesv1.Correction{EntryId: "r1"}}, &labv1.Reading{Id: "r5"})
		}, []string{"1 reading added", "1 reading corrected"}},
		"a reading that no longer counts": {func(m *labv1.Trial) { m.Readings[1].Superseded = true }, []string{"1 reading no longer counted"}},
		"a reading gone":                  {func(m *labv1.Trial) { m.Readings = m.GetReadings()[:2] }, []string{"1 reading taken out"}},
		"readings in another order": {func(m *labv1.Trial) {
			m.Readings[0], m.Readings[1] = m.GetReadings()[1], m.GetReadings()[0]
		}, []string{"order of 3 readings changed"}},
		"routes of three": {func(m *labv1.Trial) {
			for _, p := range m.GetPieces() {
				p.Route.Text = "weld > indigo"
				p.LastPosition = 2
			}
		}, []string{"routes of 3 pieces changed"}},
		"route of one": {func(m *labv1.Trial) { m.Pieces[0].Route.NotStated = true }, []string{"route of 1 piece changed"}},
		"handed on":    {func(m *labv1.Trial) { m.Pieces[0].Holder = "birch" }, []string{"1 piece handed on"}},
		"a piece corrected": {func(m *labv1.Trial) {
			m.Pieces[0].Mass, m.Pieces[0].Label = grams(4), "left"
			m.Pieces[0].Corrections = []*labv1.PieceCorrection{{PieceId: "p1", Mass: grams(4), Label: proto.String("left"), Reason: "tare"}}
		}, []string{"mass of 1 piece corrected", "label of 1 piece corrected"}},
		"a fibre corrected, which its parts follow": {func(m *labv1.Trial) {
			for _, p := range m.GetPieces() {
				p.Fibre = fibre("silk")
			}
			m.Pieces[0].Corrections = []*labv1.PieceCorrection{{PieceId: "p1", Fibre: fibre("silk")}}
		}, []string{"fibre of 1 piece corrected", "fibres of 2 pieces changed"}},
		"split": {func(m *labv1.Trial) {
			m.Pieces[0].Ended = true
			m.Pieces = append(m.Pieces, &labv1.Piece{Id: "p4"}, &labv1.Piece{Id: "p5"})
		}, []string{"2 pieces added", "1 piece split"}},
		"a session": {func(m *labv1.Trial) { m.Sessions[0].Note = "rain" }, []string{"1 session changed"}},
		"finished":  {func(m *labv1.Trial) { m.State = labv1.TrialState_TRIAL_STATE_FINISHED }, []string{"state: finished"}},
		"shared": {func(m *labv1.Trial) {
			m.Sharing = &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_COOPERATIVE, Since: timestamppb.Now()}
		}, []string{"shared with the cooperative"}},
		"deleted": {func(m *labv1.Trial) { m.DeleteTime = timestamppb.Now() }, []string{"deleted"}},
	} {
		t.Run(name, func(t *testing.T) {
			before := hank()
			after, ok := proto.Clone(before).(*labv1.Trial)
			require.True(t, ok)
			c.change(after)
			assert.Equal(t, c.want, Between(before, after))
		})
	}
	deleted := hank()
	deleted.DeleteTime = timestamppb.Now()
	assert.Contains(t, Between(deleted, hank()), "undeleted")
	assert.Equal(t, []string{"the kind of record"}, Between(hank(), &labv1.Bath{}))
}

func TestOfOtherRecords(t *testing.T) {
	pot := func() *labv1.Bath {
		return &labv1.Bath{Id: "b", Label: "pot", Liquor: grams(1), Additions: []*labv1.Addition{{Id: "a", Material: "weld"}}}
	}
	for name, c := range map[string]struct {
		before, after proto.Message
		want          []string
	}{
		"a pot opened":    {pot(), &labv1.Bath{Id: "b", Label: "pot", Liquor: grams(1), Additions: pot().GetAdditions(), OpenToMembers: true}, []string{"opened to members"}},
		"a pot put right": {pot(), &labv1.Bath{Id: "b", Label: "vat", Vessel: "pail", Purposes: []labv1.BathPurpose{5}, Additions: pot().GetAdditions()}, []string{"label", "vessel", "purposes", "liquor"}},
		"a blank":         {pot(), &labv1.Bath{Id: "b", Label: "pot", Liquor: grams(1), BlankOf: "weld", WaterParts: []*labv1.WaterPart{{Parts: 1}}}, []string{"what it is the blank of", "water", "1 addition taken out"}},
		"a place":         {&labv1.WaterSource{Place: "x"}, &labv1.WaterSource{Place: "y", PlaceShown: true}, []string{"place", "place shown to members"}},
		"a sample":        {&labv1.WaterSource{}, &labv1.WaterSource{Samples: []*labv1.WaterSample{{Id: "w"}}}, []string{"1 sample added"}},
		"an experiment":   {&labv1.Experiment{ToleranceDe00: 2}, &labv1.Experiment{ToleranceDe00: 3, Instrument: "z"}, []string{"tolerance", "instrument"}},
		"what it compares": {&labv1.Experiment{WaterSourceIds: []string{"x"}}, &labv1.Experiment{Asks: labv1.ExperimentAsks_EXPERIMENT_ASKS_MORDANTS, Values: []string{"alum"}, WaterFigure: 1},
			[]string{"what it asks", "waters compared", "values compared", "figure of the waters"}},
		"arms of an exp...": {&labv1.Experiment{}, &labv1.Experiment{Arms: []labv1.ExperimentArm{1}}, []string{"arms"}},
	} {
		assert.Equal(t, c.want, Between(c.before, c.after), name)
	}
}

// Whatever field of a record differs, however deep, something is told of it, or the reason why not stands in bookkeeping. Fields that are
// added to the interface later are found by this test.
func TestNothingIsInvisible(t *testing.T) {
	told := 0
	excused := map[protoreflect.FullName]bool{}
	for _, record := range []proto.Message{&labv1.Trial{}, &labv1.Bath{}, &labv1.WaterSource{}, &labv1.Experiment{}} {
		for _, path := range pathsOf(record.ProtoReflect().Descriptor(), nil) {
			for _, from := range []int{0, 1} { // from absent to there, and from one value to another
				before, after := record.ProtoReflect().New(), record.ProtoReflect().New()
				put(before, path, from)
				put(after, path, from+1)
				lines := Between(before.Interface(), after.Interface())
				back := Between(after.Interface(), before.Interface())
				name := fmt.Sprint(path)
				if why := reasonOf(path); why != "" {
					for _, fd := range path {
						excused[fd.FullName()] = true
					}
					if from == 1 {
						assert.Empty(t, lines, name)
					}
					continue
				}
				told++
				assert.NotEmpty(t, lines, name)
				assert.NotEmpty(t, back, name)
			}
		}
	}
	assert.Greater(t, told, 300)
	for name := range bookkeeping {
		assert.True(t, excused[name], "%s is excused and isn't there", name)
	}
}

func reasonOf(path []protoreflect.FieldDescriptor) string {
	for _, fd := range path {
		if why := bookkeeping[fd.FullName()]; why != "" {
			return why
		}
	}
	return ""
}

// pathsOf lists the paths to every field that holds a value.
func pathsOf(m protoreflect.MessageDescriptor, above []protoreflect.FieldDescriptor) [][]protoreflect.FieldDescriptor {
	var all [][]protoreflect.FieldDescriptor
	for i := range m.Fields().Len() {
		fd := m.Fields().Get(i)
		path := append(append([]protoreflect.FieldDescriptor{}, above...), fd)
		if fd.Message() != nil {
			all = append(all, pathsOf(fd.Message(), path)...)
			continue
		}
		all = append(all, path)
	}
	return all
}

// put gives the field at a path its n-th value, of which 0 is none; what stands above it is made, in lists as their only element.
func put(m protoreflect.Message, path []protoreflect.FieldDescriptor, n int) {
	fd := path[0]
	if len(path) > 1 {
		if n == 0 && len(path) == 2 && !fd.IsList() && fd.Message().FullName() == "google.protobuf.Timestamp" {
			return // a time is there or not
		}
		if fd.IsList() {
			list := m.Mutable(fd).List()
			if list.Len() == 0 {
				list.Append(list.NewElement())
			}
			put(list.Get(0).Message(), path[1:], n)
			return
		}
		put(m.Mutable(fd).Message(), path[1:], n)
		return
	}
	if n == 0 {
		return
	}
	if fd.IsList() {
		m.Mutable(fd).List().Append(valueOf(fd, n))
		return
	}
	m.Set(fd, valueOf(fd, n))
}

func valueOf(fd protoreflect.FieldDescriptor, n int) protoreflect.Value {
	switch fd.Kind() {
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(fmt.Sprint("value ", n))
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(n%2 == 1)
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(float64(n))
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(int32(n))
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(int64(n))
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(protoreflect.EnumNumber(n))
	default:
		panic("a field of kind " + fd.Kind().String() + ", which the test doesn't fill yet")
	}
}
