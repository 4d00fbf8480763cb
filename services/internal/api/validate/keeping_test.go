package validate

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func paths(names ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: names} }

func rename(names ...string) *labv1.UpdateTrialRequest {
	return &labv1.UpdateTrialRequest{RequestId: id1, Trial: &labv1.Trial{Id: id2, Title: "Two hanks"}, UpdateMask: paths(names...), Etag: `"r1"`}
}

// faultsOf are the fields that a request is refused for.
func faultsOf(t *testing.T, m proto.Message) []string {
	t.Helper()
	err := Message(m)
	if err == nil {
		return nil
	}
	var faults trial.Faults
	require.ErrorAs(t, err, &faults)
	var fields []string
	for _, fault := range faults {
		fields = append(fields, fault.Field)
	}
	return fields
}

func TestUpdates(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*labv1.UpdateTrialRequest)
		field  string
	}{
		"as it should be":     {func(*labv1.UpdateTrialRequest) {}, ""},
		"all":                 {func(m *labv1.UpdateTrialRequest) { m.UpdateMask = paths("*") }, ""},
		"no mask":             {func(m *labv1.UpdateTrialRequest) { m.UpdateMask = nil }, "update_mask"},
		"empty mask":          {func(m *labv1.UpdateTrialRequest) { m.UpdateMask = paths() }, "update_mask"},
		"output only":         {func(m *labv1.UpdateTrialRequest) { m.UpdateMask = paths("title", "owner") }, "update_mask.paths[1]"},
		"what isn't there":    {func(m *labv1.UpdateTrialRequest) { m.UpdateMask = paths("colour") }, "update_mask.paths[0]"},
		"deep":                {func(m *labv1.UpdateTrialRequest) { m.UpdateMask = paths("sessions.note") }, "update_mask.paths[0]"},
		"all and one":         {func(m *labv1.UpdateTrialRequest) { m.UpdateMask = paths("*", "title") }, "update_mask.paths[0]"},
		"capitals":            {func(m *labv1.UpdateTrialRequest) { m.UpdateMask = paths("Title") }, "update_mask.paths[0]"},
		"long path":           {func(m *labv1.UpdateTrialRequest) { m.UpdateMask = paths(strings.Repeat("a", 61)) }, "update_mask.paths[0]"},
		"many paths":          {func(m *labv1.UpdateTrialRequest) { m.UpdateMask = paths(slices.Repeat([]string{"title"}, 21)...) }, "update_mask.paths"},
		"no etag":             {func(m *labv1.UpdateTrialRequest) { m.Etag = "" }, "etag"},
		"long etag":           {func(m *labv1.UpdateTrialRequest) { m.Etag = strings.Repeat("x", 101) }, "etag"},
		"long reason":         {func(m *labv1.UpdateTrialRequest) { m.Reason = strings.Repeat("x", 501) }, "reason"},
		"no trial":            {func(m *labv1.UpdateTrialRequest) { m.Trial = nil }, "trial"},
		"no id":               {func(m *labv1.UpdateTrialRequest) { m.Trial.Id = "" }, "trial.id"},
		"empty title named":   {func(m *labv1.UpdateTrialRequest) { m.Trial.Title = "" }, "trial.title"},
		"empty title unnamed": {func(m *labv1.UpdateTrialRequest) { m.Trial.Title, m.UpdateMask = "", paths("question") }, ""},
		"what is not named":   {func(m *labv1.UpdateTrialRequest) { m.Trial.Pieces = []*labv1.Piece{{}} }, ""},
		"a session without its id": {func(m *labv1.UpdateTrialRequest) {
			m.UpdateMask, m.Trial.Sessions = paths("sessions"), []*labv1.Session{{}}
		}, "trial.sessions[0].id"},
		"unknown fields": {func(m *labv1.UpdateTrialRequest) {
			m.Trial.ProtoReflect().SetUnknown(protoreflect.RawFields{0xa0, 0x3f, 1})
		}, "trial"},
	} {
		m := rename("title")
		c.change(m)
		if got := faultsOf(t, m); c.field == "" {
			assert.Empty(t, got, name)
		} else {
			assert.Equal(t, []string{c.field}, got, name)
		}
	}
}

func TestUpdatesOfOtherRecords(t *testing.T) {
	pot := func(mask *fieldmaskpb.FieldMask, b *labv1.Bath) *labv1.UpdateBathRequest {
		b.Id = id2
		return &labv1.UpdateBathRequest{RequestId: id1, Bath: b, UpdateMask: mask, Etag: `"r1"`, Reason: "misread"}
	}
	assert.Empty(t, faultsOf(t, pot(paths("vessel"), &labv1.Bath{Vessel: "pail"})))
	assert.Equal(t, []string{"bath.liquor.unit"}, faultsOf(t, pot(paths("liquor"), &labv1.Bath{Liquor: grams(3)})))
	assert.Equal(t, []string{"bath.liquor.value"}, faultsOf(t, pot(paths("liquor"), &labv1.Bath{Liquor: &typesv1.Amount{
		Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: proto.Float64(math.NaN()), Unit: typesv1.AmountUnit_AMOUNT_UNIT_LITRE}})))
	assert.Equal(t, []string{"bath.label", "bath.purposes"}, faultsOf(t, pot(paths("*"), &labv1.Bath{})))
	assert.Equal(t, []string{"bath.exhaust_not_stated"}, faultsOf(t, pot(paths("*"), &labv1.Bath{Label: "x", ContentsNotStated: true,
		ExhaustNotStated: true, ExhaustNumberNotStated: true})))
	unsaid := pot(paths("vessel"), &labv1.Bath{})
	unsaid.Reason = ""
	assert.Equal(t, []string{"reason"}, faultsOf(t, unsaid), "routes follow, so it is said why")

	assert.Equal(t, []string{"water_source.name"}, faultsOf(t, &labv1.UpdateWaterSourceRequest{RequestId: id1,
		WaterSource: &labv1.WaterSource{Id: id2}, UpdateMask: paths("name", "place_shown"), Etag: `"r1"`}))
	assert.Equal(t, []string{"experiment.tolerance_de00"}, faultsOf(t, &labv1.UpdateExperimentRequest{RequestId: id1,
		Experiment: &labv1.Experiment{Id: id2, ToleranceDe00: math.Inf(1)}, UpdateMask: paths("tolerance_de00"), Etag: `"r1"`}))
	assert.Equal(t, []string{"etag", "reason"}, faultsOf(t, &labv1.DeleteExperimentRequest{RequestId: id1, ExperimentId: id2}))
	assert.Equal(t, []string{"record_kind", "record_id", "revision"}, faultsOf(t, &labv1.GetVersionRequest{}))
}

// An experiment has what its question needs, and nothing of the others.
func TestExperimentsAskOneQuestion(t *testing.T) {
	faults := func(change func(e *labv1.Experiment)) []string {
		e := &labv1.Experiment{Id: id2, Title: "x", ToleranceDe00: 2, ClosingSessions: 6, Instrument: "meter", Condition: &typesv1.ColourCondition{
			Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}}
		change(e)
		return faultsOf(t, &labv1.CreateExperimentRequest{RequestId: id1, Experiment: e})
	}
	const waters, mordants = labv1.ExperimentAsks_EXPERIMENT_ASKS_WATERS, labv1.ExperimentAsks_EXPERIMENT_ASKS_MORDANTS
	arms := []labv1.ExperimentArm{labv1.ExperimentArm_EXPERIMENT_ARM_A_THEN_B, labv1.ExperimentArm_EXPERIMENT_ARM_B_THEN_A}
	assert.Empty(t, faults(func(e *labv1.Experiment) { e.FirstDye, e.SecondDye, e.Arms = "weld", "woad", arms }))
	assert.Empty(t, faults(func(e *labv1.Experiment) { e.Asks, e.WaterSourceIds = waters, []string{id1, id2} }))
	assert.Empty(t, faults(func(e *labv1.Experiment) { e.Asks, e.Values = mordants, []string{"alum", "none"} }))
	assert.Equal(t, []string{"experiment.first_dye", "experiment.second_dye", "experiment.arms"}, faults(func(*labv1.Experiment) {}))
	assert.Equal(t, []string{"experiment.water_source_ids"}, faults(func(e *labv1.Experiment) { e.Asks = waters }))
	assert.Equal(t, []string{"experiment.values"}, faults(func(e *labv1.Experiment) { e.Asks, e.Values = mordants, []string{"alum"} }))
	assert.ElementsMatch(t, []string{"experiment.first_dye", "experiment.second_dye", "experiment.arms", "experiment.values"}, faults(func(e *labv1.Experiment) {
		e.Asks, e.WaterSourceIds, e.FirstDye, e.SecondDye, e.Arms, e.Values = waters, []string{id1, id2}, "weld", "woad", arms, []string{"alum", "none"}
	}))
	assert.Equal(t, []string{"experiment.water_source_ids[1]"}, faults(func(e *labv1.Experiment) { e.Asks, e.WaterSourceIds = waters, []string{id1, id1} }))
	assert.Equal(t, []string{"experiment.water_source_ids[1]"}, faults(func(e *labv1.Experiment) { e.Asks, e.WaterSourceIds = waters, []string{id1, "mill"} }))
	assert.Equal(t, []string{"experiment.values[0]"}, faults(func(e *labv1.Experiment) { e.Asks, e.Values = mordants, []string{"Alum", "none"} }))
	assert.Equal(t, []string{"experiment.water_figure"}, faults(func(e *labv1.Experiment) { e.Asks, e.Values, e.WaterFigure = mordants, []string{"alum", "none"}, 99 }))
	assert.Equal(t, []string{"experiment.asks"}, faults(func(e *labv1.Experiment) { e.Asks, e.Values = 99, []string{"alum", "none"} }))
	assert.Equal(t, []string{"experiment.values"}, faultsOf(t, &labv1.UpdateExperimentRequest{RequestId: id1,
		Experiment: &labv1.Experiment{Id: id2, Values: make([]string, 21)}, UpdateMask: paths("values"), Etag: `"r1"`}))
}

func TestPieceCorrections(t *testing.T) {
	correct := func(c *labv1.PieceCorrection) []string {
		c.PieceId, c.Reason = id3, "tare"
		return faultsOf(t, &labv1.AddEntriesRequest{RequestId: id1, TrialId: id2, PieceCorrections: []*labv1.PieceCorrection{c}})
	}
	assert.Empty(t, correct(&labv1.PieceCorrection{Mass: grams(3)}))
	assert.Empty(t, correct(&labv1.PieceCorrection{Label: proto.String("")}), "a label can be taken away")
	assert.Empty(t, correct(&labv1.PieceCorrection{Fibre: wool()}))
	assert.Equal(t, []string{"piece_corrections[0]"}, correct(&labv1.PieceCorrection{}))
	assert.Equal(t, []string{"piece_corrections[0].label"}, correct(&labv1.PieceCorrection{Label: proto.String(strings.Repeat("x", 81))}))
	assert.Equal(t, []string{"piece_corrections[0].fibre.composition"}, correct(&labv1.PieceCorrection{Fibre: &typesv1.Fibre{}}))
}

// Whatever stands in an update mask: an answer, never a panic.
func FuzzUpdateMask(f *testing.F) {
	for _, seed := range []string{"title", "*", "", "a.b,c", "title,title", "..", "\x00", "update_mask"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, names string) {
		given := strings.Split(names, ",")
		if err := Message(rename(given...)); err == nil {
			for _, name := range given {
				assert.Contains(t, []string{"title", "question", "sessions", "*"}, name)
			}
		}
	})
}
