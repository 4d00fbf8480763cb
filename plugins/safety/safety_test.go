package safety

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	datav1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/data/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
)

func texts(field string, values ...string) *safetyv1.Fact {
	return &safetyv1.Fact{Field: field, Value: &safetyv1.Fact_Texts{Texts: &safetyv1.TextList{Values: values}}}
}

func truth(field string, v bool) *safetyv1.Fact {
	return &safetyv1.Fact{Field: field, Value: &safetyv1.Fact_Truth{Truth: v}}
}

func number(field string, low, likely, high float64) *safetyv1.Fact {
	return &safetyv1.Fact{Field: field, Value: &safetyv1.Fact_Number{Number: &safetyv1.NumberRange{Low: low, Likely: likely, High: high}}}
}

// pack is a pack of one rule, which stops a sealed vessel.
func pack(id string) (text []byte, digest string) {
	text = []byte(fmt.Sprintf(`name: ours
version: 2.0.0
rules:
  - id: %s
    severity: stop
    harms: person
    topic: vessels
    when: vessel.sealed
    override: never
    title: t
    reason: r
    do: d
    source: a test
    confidence: high
    fires: {vessel.sealed: true}
    silent: {vessel.sealed: false}
`, id))
	sum := sha256.Sum256(text)
	return text, hex.EncodeToString(sum[:])
}

func TestNeedsData(t *testing.T) {
	conn := plugintest.Dial(t, Module())
	judge, data := safetyv1.NewSafetyServiceClient(conn), datav1.NewDataServiceClient(conn)
	text, digest := pack("X1")
	request := &safetyv1.JudgeStepsRequest{PackSha256: []string{digest}, Steps: []*safetyv1.StepFacts{{StepId: "a", Facts: []*safetyv1.Fact{truth("vessel.sealed", true)}}, {StepId: "b"}}}
	_, err := judge.JudgeSteps(t.Context(), request)
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	needs := status.Convert(err).Details()[0].(*errdetails.PreconditionFailure).GetViolations()
	require.Len(t, needs, 1)
	assert.Equal(t, sdk.NeedsData, needs[0].GetType())
	assert.Equal(t, digest, needs[0].GetSubject())

	put, err := data.PutData(t.Context(), &datav1.PutDataRequest{Sha256: digest, Content: text})
	require.NoError(t, err)
	assert.Equal(t, "ours", put.GetName())
	got, err := judge.JudgeSteps(t.Context(), request)
	require.NoError(t, err)
	assert.Equal(t, safetyv1.Standing_STANDING_FIRES, got.GetSteps()[0].GetFindings()[0].GetStanding())
	asked := got.GetSteps()[1].GetFindings()[0]
	assert.Equal(t, safetyv1.Standing_STANDING_NEEDS_ANSWER, asked.GetStanding())
	assert.Equal(t, []string{"vessel.sealed"}, asked.GetMissingFields())

	// The first is forgotten after as many others as are held.
	for i := range maxPacks {
		text, digest := pack(fmt.Sprintf("Y%d", i))
		_, err := data.PutData(t.Context(), &datav1.PutDataRequest{Sha256: digest, Content: text})
		require.NoError(t, err)
	}
	_, err = judge.JudgeSteps(t.Context(), request)
	assert.Equal(t, codes.FailedPrecondition, status.Code(err))

	_, err = data.PutData(t.Context(), &datav1.PutDataRequest{Sha256: digest, Content: []byte("rules: 1")})
	assert.Contains(t, moduletest.Refused(t, err), "sha256")
	broken := []byte("name: x\nversion: 1\nrules: [{id: A}]")
	sum := sha256.Sum256(broken)
	_, err = data.PutData(t.Context(), &datav1.PutDataRequest{Sha256: hex.EncodeToString(sum[:]), Content: broken})
	assert.Contains(t, moduletest.Refused(t, err)["content"], "line 3, A: ")
}

// What the module came with is told whole, and answered to without being given.
func TestOwnData(t *testing.T) {
	conn := plugintest.Dial(t, Module())
	own, err := datav1.NewDataServiceClient(conn).ListOwnData(t.Context(), &datav1.ListOwnDataRequest{})
	require.NoError(t, err)
	require.Len(t, own.GetData(), 1)
	pack := own.GetData()[0]
	sum := sha256.Sum256(pack.GetContent())
	assert.Equal(t, hex.EncodeToString(sum[:]), pack.GetSha256())
	assert.Equal(t, "craft-safety", pack.GetName())
	judge := safetyv1.NewSafetyServiceClient(conn)
	steps := []*safetyv1.StepFacts{{StepId: "a", Facts: []*safetyv1.Fact{truth("vessel.sealed", true)}}}
	named, err := judge.JudgeSteps(t.Context(), &safetyv1.JudgeStepsRequest{PackSha256: []string{pack.GetSha256()}, Steps: steps})
	require.NoError(t, err)
	unnamed, err := judge.JudgeSteps(t.Context(), &safetyv1.JudgeStepsRequest{Steps: steps})
	require.NoError(t, err)
	assert.Equal(t, moduletest.Bytes(t, unnamed), moduletest.Bytes(t, named))
	again, err := datav1.NewDataServiceClient(conn).PutData(t.Context(), &datav1.PutDataRequest{Sha256: pack.GetSha256(), Content: pack.GetContent()})
	require.NoError(t, err)
	assert.Equal(t, pack.GetVersion(), again.GetVersion())
}

// Each fault of a pack is told by itself, with its line and its rule.
func TestFaultsOfPacksHaveTheirPlace(t *testing.T) {
	text, _ := pack("X1")
	bad := strings.Replace(string(text), "fires: {vessel.sealed: true}", "fires: {vessel.sealed: false}", 1) + strings.Replace(strings.SplitAfter(string(text), "rules:\n")[1], "X1", "X2", 1)
	bad = strings.Replace(bad, "when: vessel.sealed\n    override: never\n    title: t\n    reason: r\n    do: d\n    source: a test\n    confidence: high\n    fires: {vessel.sealed: true}", "when: vessel.happy\n    override: never\n    title: t\n    reason: r\n    do: d\n    source: a test\n    confidence: high\n    fires: {vessel.sealed: true}", 1)
	sum := sha256.Sum256([]byte(bad))
	_, err := datav1.NewDataServiceClient(plugintest.Dial(t, Module())).PutData(t.Context(), &datav1.PutDataRequest{Sha256: hex.EncodeToString(sum[:]), Content: []byte(bad)})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	violations := status.Convert(err).Details()[0].(*errdetails.BadRequest).GetFieldViolations()
	require.Len(t, violations, 2)
	assert.Equal(t, "line 4, X1: fires: the example does not do so", violations[0].GetDescription())
	assert.Contains(t, violations[1].GetDescription(), "line 17, X2: when: 1:1: undeclared reference")
}

func TestFieldsAndRefusals(t *testing.T) {
	judge := safetyv1.NewSafetyServiceClient(plugintest.Dial(t, Module()))
	fields, err := judge.ListFields(t.Context(), &safetyv1.ListFieldsRequest{})
	require.NoError(t, err)
	assert.Greater(t, len(fields.GetFields()), 60)
	for _, f := range fields.GetFields() {
		assert.NotEmpty(t, f.GetAsks(), f.GetName())
		assert.NotZero(t, f.GetKind(), f.GetName())
		assert.NotZero(t, f.GetAbout(), f.GetName())
	}
	_, err = judge.JudgeSteps(t.Context(), &safetyv1.JudgeStepsRequest{PackSha256: []string{"x"}, Steps: []*safetyv1.StepFacts{{}, {StepId: "a", Facts: []*safetyv1.Fact{
		texts("vessel.happy", "x"), truth("person.asthma", false), texts("vessel.material", "gold"), number("bath.ph", 3, 2, 4), truth("vent", true), {Field: "ppe"}, texts("ppe"), truth("vessel.sealed", true), truth("vessel.sealed", true),
	}}}})
	refused := moduletest.Refused(t, err)
	for _, field := range []string{
		"pack_sha256[0]", "steps[0].step_id", "steps[1].facts[0].field", "steps[1].facts[1].field", "steps[1].facts[2].value", "steps[1].facts[3].value",
		"steps[1].facts[4].value", "steps[1].facts[5].value", "steps[1].facts[6].field", "steps[1].facts[8].field",
	} {
		assert.NotEmpty(t, refused[field], field)
	}
	assert.Contains(t, refused["steps[1].facts[1].field"], "stays on that person's machine")
	_, err = judge.JudgeSteps(t.Context(), &safetyv1.JudgeStepsRequest{})
	assert.Contains(t, moduletest.Refused(t, err), "steps")
}

// Old names, and spellings before IUPAC's: copperas and green vitriol are ferrous sulfate, blue vitriol is copper sulfate (common practice, no source).
func TestNamesOfMaterials(t *testing.T) {
	judge := safetyv1.NewSafetyServiceClient(plugintest.Dial(t, Module()))
	names := []string{"Copperas", "green vitriol", "ferrous sulphate", "blue vitriol", "alum", "weld", "stannous chloride", "moon dust"}
	got, err := judge.NameMaterials(t.Context(), &safetyv1.NameMaterialsRequest{Names: names})
	require.NoError(t, err)
	for i, want := range [][2]string{
		{"ferrous sulfate", "iron"}, {"ferrous sulfate", "iron"}, {"ferrous sulfate", "iron"}, {"copper sulfate", "copper"}, {"potassium alum", ""}, {"weld", ""}, {"tin chloride", "tin"}, {"moon dust", ""},
	} {
		assert.Equal(t, want, [2]string{got.GetMaterials()[i].GetFirstName(), got.GetMaterials()[i].GetMetal()}, names[i])
	}
	assert.True(t, proto.Equal(&safetyv1.MetalSalt{Metal: "aluminium", LowPercent: 5.688, HighPercent: 5.688, CeilingSalt: "potassium alum", CeilingSaltPercent: 5.688}, got.GetMaterials()[4].GetSalt()))
	assert.Equal(t, "iron", got.GetMaterials()[0].GetSalt().GetMetal())
	assert.Empty(t, got.GetMaterials()[3].GetSalt().GetCeilingSalt(), "of copper no ceiling is known")
	assert.Nil(t, got.GetMaterials()[5].GetSalt())
	assert.Nil(t, got.GetMaterials()[7].GetSalt())
	_, err = judge.NameMaterials(t.Context(), &safetyv1.NameMaterialsRequest{})
	assert.Contains(t, moduletest.Refused(t, err)["names"], "want 1 to 2000")
	_, err = judge.NameMaterials(t.Context(), &safetyv1.NameMaterialsRequest{Names: make([]string, 2001)})
	assert.Contains(t, moduletest.Refused(t, err)["names"], "has 2001 entries")
	_, err = judge.NameMaterials(t.Context(), &safetyv1.NameMaterialsRequest{Names: []string{"weld", "", strings.Repeat("x", 81)}})
	refused := moduletest.Refused(t, err)
	assert.Contains(t, refused["names[1]"], "want 1 to 80")
	assert.Contains(t, refused["names[2]"], "want 1 to 80")
}

// Every name has an answer in its place, or the request is refused.
func FuzzNameMaterials(f *testing.F) {
	f.Add("copperas", "\xff")
	f.Add("", "Ferrous  Sulphate")
	server := NewServer()
	f.Fuzz(func(t *testing.T, one, other string) {
		got, err := server.NameMaterials(t.Context(), &safetyv1.NameMaterialsRequest{Names: []string{one, other}})
		if err != nil {
			require.Equal(t, codes.InvalidArgument, status.Code(err))
			return
		}
		require.Len(t, got.GetMaterials(), 2)
		require.NotEmpty(t, got.GetMaterials()[0].GetFirstName())
		require.NotEmpty(t, got.GetMaterials()[1].GetFirstName())
	})
}

func FuzzJudgeSteps(f *testing.F) {
	raw, err := proto.Marshal(&safetyv1.JudgeStepsRequest{Steps: []*safetyv1.StepFacts{{StepId: "a", Facts: []*safetyv1.Fact{
		texts("material.id", "sodium hydroxide"), number("bath.ph", 7, 8, 9), truth("vessel.sealed", true),
	}}}})
	require.NoError(f, err)
	f.Add(raw)
	server := NewServer()
	f.Fuzz(func(t *testing.T, raw []byte) {
		request := &safetyv1.JudgeStepsRequest{}
		if proto.Unmarshal(raw, request) != nil {
			return
		}
		if _, err := server.JudgeSteps(t.Context(), request); err != nil {
			require.Contains(t, []codes.Code{codes.InvalidArgument, codes.FailedPrecondition}, status.Code(err), "%v", err)
		}
	})
}
