package pipeline_test

import (
	"context"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
)

// canned is a module that answers one thing, whatever it is asked.
type canned struct {
	kind   string
	answer proto.Message
	fails  error // in place of an answer
	blamed []string
}

func (c *canned) Acquire(string) (pipeline.Handle, error) { return c, nil }
func (c *canned) Serving(string, string) []string         { return nil }
func (c *canned) Identity() *typesv1.ModuleIdentity {
	return &typesv1.ModuleIdentity{Name: "canned", Version: "1.0.0", Digest: strings.Repeat("0", 64), Kind: c.kind}
}
func (c *canned) Description() *describev1.DescribeResponse { return nil }
func (c *canned) Release()                                  {}
func (c *canned) Blame(reason string)                       { c.blamed = append(c.blamed, reason) }
func (c *canned) Invoke(_ context.Context, _ string, _, reply any, _ ...grpc.CallOption) error {
	if c.fails != nil {
		return c.fails
	}
	proto.Merge(reply.(proto.Message), c.answer)
	return nil
}

func (c *canned) NewStream(context.Context, *grpc.StreamDesc, string, ...grpc.CallOption) (grpc.ClientStream, error) {
	panic("nothing streams here")
}

// refused asks with each spoilt answer, which must be refused and blamed on the module by name, and with the good one, which must pass.
func refused[R proto.Message](t *testing.T, kind string, good R, ask func(*pipeline.Pipeline) error, spoil map[string]func(R)) {
	t.Helper()
	m := &canned{kind: kind, answer: good}
	require.NoError(t, ask(pipeline.New(m)))
	assert.Empty(t, m.blamed)
	for what, change := range spoil {
		bad, ok := proto.Clone(good).(R)
		require.True(t, ok)
		change(bad)
		m := &canned{kind: kind, answer: bad}
		err := ask(pipeline.New(m))
		require.ErrorIs(t, err, pipeline.ErrModuleAnswer, what)
		require.ErrorContains(t, err, "canned", what)
		assert.Len(t, m.blamed, 1, what)
	}
}

func TestScaledBathsAreChecked(t *testing.T) {
	q := &bathscalev1.ScaleBathsRequest{
		Fibre: []*bathscalev1.FibreLot{{PieceId: "a"}, {PieceId: "b"}},
		Baths: []*bathscalev1.BathRecipe{{BathId: "pot", Doses: []*bathscalev1.Dose{{Material: "weld"}}}},
	}
	load := func(pieces ...string) *bathscalev1.LoadAmounts {
		return &bathscalev1.LoadAmounts{PieceIds: pieces, FibreG: 10, VolumeMl: 400, LiquorRatio: 40, WaterToAddMl: -3, Amounts: []*bathscalev1.MaterialAmount{{
			Material: "weld", Way: bathscalev1.Way_WAY_WEIGHED, MeantG: 10, AtHandG: 10, ShownG: 10, DeliveredLowPercent: 99, DeliveredPercent: 100, DeliveredHighPercent: 101,
		}}}
	}
	good := &bathscalev1.ScaleBathsResponse{Baths: []*bathscalev1.BathAmounts{{BathId: "pot", Loads: []*bathscalev1.LoadAmounts{load("b"), load("a")}}}}
	amount := func(r *bathscalev1.ScaleBathsResponse) *bathscalev1.MaterialAmount {
		return r.GetBaths()[0].GetLoads()[0].GetAmounts()[0]
	}
	refused(t, pipeline.KindBathscale, good, func(p *pipeline.Pipeline) error { _, _, err := p.ScaleBaths(t.Context(), q); return err }, map[string]func(*bathscalev1.ScaleBathsResponse){
		"no bath":             func(r *bathscalev1.ScaleBathsResponse) { r.Baths = nil },
		"another bath":        func(r *bathscalev1.ScaleBathsResponse) { r.Baths[0].BathId = "vat" },
		"a piece lost":        func(r *bathscalev1.ScaleBathsResponse) { r.Baths[0].Loads = r.Baths[0].Loads[:1] },
		"a piece twice":       func(r *bathscalev1.ScaleBathsResponse) { r.Baths[0].Loads[1].PieceIds = []string{"b"} },
		"no loads":            func(r *bathscalev1.ScaleBathsResponse) { r.Baths[0].Loads = nil },
		"NaN litres":          func(r *bathscalev1.ScaleBathsResponse) { r.Baths[0].Loads[0].VolumeMl = math.NaN() },
		"negative fibre":      func(r *bathscalev1.ScaleBathsResponse) { r.Baths[0].Loads[0].FibreG = -1 },
		"a material lost":     func(r *bathscalev1.ScaleBathsResponse) { r.Baths[0].Loads[0].Amounts = nil },
		"negative grams":      func(r *bathscalev1.ScaleBathsResponse) { amount(r).ShownG = -1 },
		"less than no iron":   func(r *bathscalev1.ScaleBathsResponse) { amount(r).LeastG = proto.Float64(-1) },
		"infinite grams":      func(r *bathscalev1.ScaleBathsResponse) { amount(r).AtHandG = math.Inf(1) },
		"bounds in disorder":  func(r *bathscalev1.ScaleBathsResponse) { amount(r).DeliveredHighPercent = 1 },
		"NaN bound":           func(r *bathscalev1.ScaleBathsResponse) { amount(r).DeliveredLowPercent = math.NaN() },
		"no way and no words": func(r *bathscalev1.ScaleBathsResponse) { amount(r).Way = 0 },
		"a mute question":     func(r *bathscalev1.ScaleBathsResponse) { r.Questions = []*bathscalev1.Question{{BathId: "pot"}} },
	})
}

func TestMordantsAreChecked(t *testing.T) {
	low, high := 8.0, 15.0
	q := &mordantv1.SelectMordantsRequest{Fibres: []string{"wool"}, Dyestuffs: []*mordantv1.Dyestuff{{Name: "weld"}}}
	good := &mordantv1.SelectMordantsResponse{CeilingC: 90, Fibres: []*mordantv1.FibreChoices{{Fibre: "wool", Choices: []*mordantv1.Choice{{Steps: []*mordantv1.MordantStep{{
		Material: &mordantv1.MordantMaterial{Material: "alum", LowPercentWof: &low, HighPercentWof: &high}, BeforeDyestuff: 1,
	}}}}}}}
	step := func(r *mordantv1.SelectMordantsResponse) *mordantv1.MordantStep {
		return r.GetFibres()[0].GetChoices()[0].GetSteps()[0]
	}
	refused(t, pipeline.KindMordant, good, func(p *pipeline.Pipeline) error { _, _, err := p.SelectMordants(t.Context(), "", q); return err }, map[string]func(*mordantv1.SelectMordantsResponse){
		"no fibre":                func(r *mordantv1.SelectMordantsResponse) { r.Fibres = nil },
		"another fibre":           func(r *mordantv1.SelectMordantsResponse) { r.Fibres[0].Fibre = "silk" },
		"answer and question":     func(r *mordantv1.SelectMordantsResponse) { r.Questions = []*mordantv1.Question{{Text: "which?"}} },
		"too hot":                 func(r *mordantv1.SelectMordantsResponse) { r.CeilingC = 200 },
		"a step too hot":          func(r *mordantv1.SelectMordantsResponse) { step(r).CeilingC = math.NaN() },
		"before nothing":          func(r *mordantv1.SelectMordantsResponse) { step(r).BeforeDyestuff = 3 },
		"a range upside down":     func(r *mordantv1.SelectMordantsResponse) { step(r).Material.LowPercentWof = proto.Float64(20) },
		"half a range":            func(r *mordantv1.SelectMordantsResponse) { step(r).Material.HighPercentWof = nil },
		"a material with no name": func(r *mordantv1.SelectMordantsResponse) { step(r).With = []*mordantv1.MordantMaterial{{}} },
	})
}

func TestSchedulesAndMixesAreChecked(t *testing.T) {
	warm := 70.0
	q := &bathscalev1.LayOutRequest{HoldC: 80}
	good := &bathscalev1.LayOutResponse{HoldC: 70, Moments: []*bathscalev1.Moment{
		{Minute: 0, Kind: bathscalev1.MomentKind_MOMENT_KIND_FIBRE_IN, TemperatureC: &warm}, {Minute: 10, Kind: bathscalev1.MomentKind_MOMENT_KIND_FIBRE_OUT},
	}}
	refused(t, pipeline.KindBathscale, good, func(p *pipeline.Pipeline) error { _, _, err := p.LayOut(t.Context(), q); return err }, map[string]func(*bathscalev1.LayOutResponse){
		"hotter than asked":    func(r *bathscalev1.LayOutResponse) { r.HoldC = 90 },
		"time goes back":       func(r *bathscalev1.LayOutResponse) { r.Moments[0].Minute = 20 },
		"NaN minutes":          func(r *bathscalev1.LayOutResponse) { r.Moments[1].Minute = math.NaN() },
		"nothing happens":      func(r *bathscalev1.LayOutResponse) { r.Moments[0].Kind = 0 },
		"an impossible moment": func(r *bathscalev1.LayOutResponse) { r.Moments[0].TemperatureC = proto.Float64(300) },
	})
	mix := &bathscalev1.MixWatersResponse{
		LowMgPerL: 100, HighMgPerL: proto.Float64(120), WantedMgPerL: proto.Float64(130), WantedShares: []float64{0.3, 0.7}, Raise: &bathscalev1.Raise{CalciumAcetateMonohydrateG: 1},
	}
	refused(t, pipeline.KindBathscale, mix, func(p *pipeline.Pipeline) error {
		_, _, err := p.MixWaters(t.Context(), &bathscalev1.MixWatersRequest{Waters: []*bathscalev1.WaterShare{{Parts: 1}, {Parts: 2}}})
		return err
	}, map[string]func(*bathscalev1.MixWatersResponse){
		"upside down":         func(r *bathscalev1.MixWatersResponse) { r.HighMgPerL = proto.Float64(1) },
		"shares of more":      func(r *bathscalev1.MixWatersResponse) { r.WantedShares[0] = 0.4 },
		"a share below 0":     func(r *bathscalev1.MixWatersResponse) { r.WantedShares = []float64{-0.5, 1.5} },
		"a share of no water": func(r *bathscalev1.MixWatersResponse) { r.WantedShares = []float64{0.3, 0.3, 0.4} },
		"NaN grams":           func(r *bathscalev1.MixWatersResponse) { r.Raise.CalciumAcetateMonohydrateG = math.NaN() },
		"infinite wishes":     func(r *bathscalev1.MixWatersResponse) { r.WantedMgPerL = proto.Float64(math.Inf(1)) },
		"negative":            func(r *bathscalev1.MixWatersResponse) { r.LowMgPerL = -1 },
		"infinite":            func(r *bathscalev1.MixWatersResponse) { r.HighMgPerL = proto.Float64(math.Inf(1)) },
	})
}

// An answer that would clear by saying nothing is none: every step, every pack that was named, some rule, and the standing cautions.
func TestJudgementsAreChecked(t *testing.T) {
	pack := strings.Repeat("a", 64)
	q := &safetyv1.JudgeStepsRequest{PackSha256: []string{pack}, Steps: []*safetyv1.StepFacts{{StepId: "1"}, {StepId: "2"}}}
	good := &safetyv1.JudgeStepsResponse{
		Packs: []*safetyv1.PackIdentity{{Sha256: pack, Name: "p", Version: "1", Rules: 3}}, StandingCautions: []string{"mind"},
		Steps: []*safetyv1.StepFindings{{StepId: "1", Findings: []*safetyv1.Finding{{
			RuleId: "S1", PackSha256: pack, Severity: safetyv1.Severity_SEVERITY_STOP, Standing: safetyv1.Standing_STANDING_NEEDS_ANSWER, MissingFields: []string{"vent"},
			Override: safetyv1.Override_OVERRIDE_NEVER, Title: "t",
		}}}, {StepId: "2"}},
	}
	finding := func(r *safetyv1.JudgeStepsResponse) *safetyv1.Finding { return r.GetSteps()[0].GetFindings()[0] }
	refused(t, pipeline.KindSafety, good, func(p *pipeline.Pipeline) error { _, _, err := p.JudgeSteps(t.Context(), "canned", q); return err }, map[string]func(*safetyv1.JudgeStepsResponse){
		"a step lost":           func(r *safetyv1.JudgeStepsResponse) { r.Steps = r.Steps[:1] },
		"steps exchanged":       func(r *safetyv1.JudgeStepsResponse) { r.Steps[0], r.Steps[1] = r.Steps[1], r.Steps[0] },
		"a pack left out":       func(r *safetyv1.JudgeStepsResponse) { r.Packs[0].Sha256 = strings.Repeat("b", 64) },
		"no pack":               func(r *safetyv1.JudgeStepsResponse) { r.Packs = nil },
		"no rules":              func(r *safetyv1.JudgeStepsResponse) { r.Packs[0].Rules = 0 },
		"no cautions":           func(r *safetyv1.JudgeStepsResponse) { r.StandingCautions = nil },
		"a rule of nowhere":     func(r *safetyv1.JudgeStepsResponse) { finding(r).PackSha256 = "" },
		"no severity":           func(r *safetyv1.JudgeStepsResponse) { finding(r).Severity = 0 },
		"no standing":           func(r *safetyv1.JudgeStepsResponse) { finding(r).Standing = 0 },
		"a question of nothing": func(r *safetyv1.JudgeStepsResponse) { finding(r).MissingFields = nil },
		"a stop without a way":  func(r *safetyv1.JudgeStepsResponse) { finding(r).Override = 0 },
		"no title":              func(r *safetyv1.JudgeStepsResponse) { finding(r).Title = "" },
	})
	fields := &safetyv1.ListFieldsResponse{Fields: []*safetyv1.SafetyField{{Name: "vent", Kind: safetyv1.FieldKind_FIELD_KIND_WORD, About: safetyv1.FieldAbout_FIELD_ABOUT_WORKSHOP}}}
	refused(t, pipeline.KindSafety, fields, func(p *pipeline.Pipeline) error { _, _, err := p.ListFields(t.Context(), "canned"); return err }, map[string]func(*safetyv1.ListFieldsResponse){
		"no name":  func(r *safetyv1.ListFieldsResponse) { r.Fields[0].Name = "" },
		"no kind":  func(r *safetyv1.ListFieldsResponse) { r.Fields[0].Kind = 0 },
		"of whom?": func(r *safetyv1.ListFieldsResponse) { r.Fields[0].About = 9 },
	})
}

func TestDaysAreChecked(t *testing.T) {
	q := &bathscalev1.LayOutDaysRequest{Baths: []*bathscalev1.DayBath{{BathId: "weld", PieceIds: []string{"a", "b"}}, {BathId: "vat", PieceIds: []string{"a"}, Day: 3}}}
	good := &bathscalev1.LayOutDaysResponse{Days: []*bathscalev1.WorkDay{
		{Day: 1, Minutes: proto.Float64(90), Tasks: []*bathscalev1.DayTask{
			{BathId: "weld", PieceIds: []string{"b", "a"}, Shares: []*bathscalev1.PotShare{{PieceIds: []string{"a"}}, {PieceIds: []string{"b"}}}}, {Text: "rinse", PieceIds: []string{"a"}},
		}},
		{Day: 3, Tasks: []*bathscalev1.DayTask{{BathId: "vat", PieceIds: []string{"a"}}}},
	}}
	task := func(r *bathscalev1.LayOutDaysResponse) *bathscalev1.DayTask { return r.GetDays()[0].GetTasks()[0] }
	refused(t, pipeline.KindBathscale, good, func(p *pipeline.Pipeline) error { _, _, err := p.LayOutDays(t.Context(), q); return err }, map[string]func(*bathscalev1.LayOutDaysResponse){
		"no days":              func(r *bathscalev1.LayOutDaysResponse) { r.Days = nil },
		"a bath lost":          func(r *bathscalev1.LayOutDaysResponse) { r.Days = r.Days[:1] },
		"a bath twice":         func(r *bathscalev1.LayOutDaysResponse) { r.Days[1].Tasks = append(r.Days[1].Tasks, r.Days[1].Tasks[0]) },
		"days that fall":       func(r *bathscalev1.LayOutDaysResponse) { r.Days[0].Day = 4 },
		"day 0":                func(r *bathscalev1.LayOutDaysResponse) { r.Days[0].Day = 0 },
		"not the day told":     func(r *bathscalev1.LayOutDaysResponse) { r.Days[1].Day = 2 },
		"another order":        func(r *bathscalev1.LayOutDaysResponse) { task(r).BathId = "vat" },
		"a piece lost":         func(r *bathscalev1.LayOutDaysResponse) { task(r).PieceIds = []string{"a"} },
		"a piece in two parts": func(r *bathscalev1.LayOutDaysResponse) { task(r).Shares[1].PieceIds = []string{"a"} },
		"NaN minutes":          func(r *bathscalev1.LayOutDaysResponse) { r.Days[0].Minutes = proto.Float64(math.NaN()) },
		"nothing is done":      func(r *bathscalev1.LayOutDaysResponse) { r.Days[0].Tasks[1].Text = "" },
	})
}

// older is a module of before there was a call.
type older struct{ canned }

func (*older) Invoke(context.Context, string, any, any, ...grpc.CallOption) error {
	return status.Error(codes.Unimplemented, "no such call")
}

func (o *older) Acquire(string) (pipeline.Handle, error) { return o, nil }

// A module that can't name materials knows them by the names that it is given, and is blamed for nothing.
func TestNamesOfMaterialsAreChecked(t *testing.T) {
	q := &safetyv1.NameMaterialsRequest{Names: []string{"alum", "copperas"}}
	good := &safetyv1.NameMaterialsResponse{Materials: []*safetyv1.NamedMaterial{{FirstName: "potassium alum"}, {FirstName: "ferrous sulfate", Metal: "iron",
		Salt: &safetyv1.MetalSalt{Metal: "iron", LowPercent: 20, HighPercent: 30, CeilingSalt: "ferrous sulfate", CeilingSaltPercent: 20}}}}
	refused(t, pipeline.KindSafety, good, func(p *pipeline.Pipeline) error {
		_, _, err := p.NameMaterials(t.Context(), "canned", q)
		return err
	}, map[string]func(*safetyv1.NameMaterialsResponse){
		"a name lost": func(r *safetyv1.NameMaterialsResponse) { r.Materials = r.Materials[:1] },
		"no name":     func(r *safetyv1.NameMaterialsResponse) { r.Materials[1].FirstName = "" },
		"no metal":    func(r *safetyv1.NameMaterialsResponse) { r.Materials[1].Salt.Metal = "" },
		"a tale":      func(r *safetyv1.NameMaterialsResponse) { r.Materials[1].ToldApart = strings.Repeat("x", 401) },
		"no part":     func(r *safetyv1.NameMaterialsResponse) { r.Materials[1].Salt.LowPercent = 0 },
		"a fall":      func(r *safetyv1.NameMaterialsResponse) { r.Materials[1].Salt.LowPercent = 31 },
		"no number":   func(r *safetyv1.NameMaterialsResponse) { r.Materials[1].Salt.HighPercent = math.NaN() },
		"no ceiling":  func(r *safetyv1.NameMaterialsResponse) { r.Materials[1].Salt.CeilingSaltPercent = 0 },
	})
	module := &older{canned{kind: pipeline.KindSafety}}
	got, who, err := pipeline.New(module).NameMaterials(t.Context(), "canned", q)
	require.NoError(t, err)
	assert.Equal(t, "canned", who.GetName())
	require.Len(t, got.GetMaterials(), 2)
	assert.Equal(t, "copperas", got.GetMaterials()[1].GetFirstName())
	assert.Empty(t, got.GetMaterials()[1].GetMetal())
	assert.Empty(t, module.blamed)
}

// What to do where a question is too much for a module is what can be done: a plan has no filter, nor has a prediction.
func TestWhatIsTooMuchIsToldByWhatCanBeDone(t *testing.T) {
	for kind, c := range map[string]struct {
		ask  func(*pipeline.Pipeline) error
		says string
	}{
		pipeline.KindSafety: {func(p *pipeline.Pipeline) error {
			_, _, err := p.JudgeSteps(t.Context(), "canned", &safetyv1.JudgeStepsRequest{Steps: []*safetyv1.StepFacts{{StepId: "a"}}})
			return err
		}, "takes no 501; plan less at once"},
		pipeline.KindOverdye: {func(p *pipeline.Pipeline) error {
			_, _, err := p.PredictOverdye(t.Context(), overdyeQuestion(4))
			return err
		}, "takes no 501"},
	} {
		m := &canned{kind: kind, fails: status.Error(codes.ResourceExhausted, "takes no 501")}
		err := c.ask(pipeline.New(m))
		require.ErrorIs(t, err, pipeline.ErrTooLarge)
		require.EqualError(t, err, kind+" module canned: question too large: "+c.says)
		assert.Empty(t, m.blamed)
	}
}
