package sdk_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

func TestViolations(t *testing.T) {
	var v sdk.Violations
	require.NoError(t, v.Err())
	v.Add("readings[0].l", "is %v, want 0 to 100", math.NaN())
	v.Add("readings[1].l", "is %q", "\xff"+strings.Repeat("x", 1000))
	for i := range 100 {
		v.Add("rows", "number %d", i)
	}
	st := status.Convert(v.Err())
	assert.Equal(t, codes.InvalidArgument, st.Code())
	assert.Equal(t, "readings[0].l is NaN, want 0 to 100 (and 101 more)", st.Message())
	require.Len(t, st.Details(), 1)
	assert.Equal(t, codes.ResourceExhausted, status.Code(v.TooMuch()))
	assert.Equal(t, st.Message(), status.Convert(v.TooMuch()).Message())
	list := st.Details()[0].(*errdetails.BadRequest).GetFieldViolations()
	assert.Len(t, list, 50)
	assert.Less(t, proto.Size(st.Proto()), sdk.MaxHeaderBytes/2, "always fits into a trailer")
}

func good() *describev1.DescribeResponse {
	low := 0.0
	return &describev1.DescribeResponse{
		Name: "palette-width", Version: "1.0.0-rc.1+build.5", Kind: sdk.KindPalette,
		Contracts: []string{"commonvat.module.palette.v1"},
		Summary:   "Counts distinct shades.", Author: "A test",
		Sources: []*describev1.Source{{Citation: "Somebody (1999)"}},
		Parameters: []*describev1.Parameter{
			{Name: "radius_delta_e", Summary: "Radius.", Value: &describev1.Parameter_Number{
				Number: &describev1.NumberParameter{Unit: "CIELAB units", DefaultValue: 2, Minimum: &low}}},
			{Name: "method", Summary: "Which.", Value: &describev1.Parameter_Choice{
				Choice: &describev1.ChoiceParameter{DefaultValue: "hull", Choices: []string{"hull", "count"}}}},
		},
		Questions: []*describev1.Question{{Asks: "how wide a palette is", Call: "MeasureWidths", Method: "Counts.", Multiplicity: "one comparison", Sources: []uint32{0}}},
	}
}

func TestCheckDescription(t *testing.T) {
	require.NoError(t, sdk.CheckDescription(good()))
	require.Error(t, sdk.CheckDescription(nil))
	for want, spoil := range map[string]func(*describev1.DescribeResponse){
		"name is":               func(d *describev1.DescribeResponse) { d.Name = "Palette" },
		"word of a kind":        func(d *describev1.DescribeResponse) { d.Name = "palette" },
		"at most 40":            func(d *describev1.DescribeResponse) { d.Name = strings.Repeat("a", 41) },
		"version is":            func(d *describev1.DescribeResponse) { d.Version = "v1.0.0" },
		"kind is":               func(d *describev1.DescribeResponse) { d.Kind = "oracle" },
		"contracts are empty":   func(d *describev1.DescribeResponse) { d.Contracts = nil },
		"contracts[0]":          func(d *describev1.DescribeResponse) { d.Contracts[0] = "palette" },
		"none of kind":          func(d *describev1.DescribeResponse) { d.Contracts[0] = "commonvat.module.reading.v1" },
		"summary has 0":         func(d *describev1.DescribeResponse) { d.Summary = "" },
		"sources[0].citation":   func(d *describev1.DescribeResponse) { d.Sources[0].Citation = "" },
		"author is empty":       func(d *describev1.DescribeResponse) { d.Author = "" },
		"appears twice":         func(d *describev1.DescribeResponse) { d.Parameters[1].Name = "radius_delta_e" },
		"name wants":            func(d *describev1.DescribeResponse) { d.Parameters[0].Name = "radius-ΔE" },
		"unit is empty":         func(d *describev1.DescribeResponse) { d.Parameters[0].GetNumber().Unit = "" },
		"default_value is -1":   func(d *describev1.DescribeResponse) { d.Parameters[0].GetNumber().DefaultValue = -1 },
		"default_value is NaN":  func(d *describev1.DescribeResponse) { d.Parameters[0].GetNumber().DefaultValue = math.NaN() },
		"default_value is +Inf": func(d *describev1.DescribeResponse) { d.Parameters[0].GetNumber().DefaultValue = math.Inf(1) },
		"whole number": func(d *describev1.DescribeResponse) {
			n := d.Parameters[0].GetNumber()
			n.Whole, n.DefaultValue = true, 1.5
		},
		"are no range":                     func(d *describev1.DescribeResponse) { n := d.Parameters[0].GetNumber(); m := -1.0; n.Maximum = &m },
		"choices are empty":                func(d *describev1.DescribeResponse) { d.Parameters[1].GetChoice().Choices = nil },
		"not alike":                        func(d *describev1.DescribeResponse) { d.Parameters[1].GetChoice().Choices[1] = "hull" },
		`default_value is "", want one of`: func(d *describev1.DescribeResponse) { d.Parameters[1].GetChoice().DefaultValue = "" },
		"value is missing":                 func(d *describev1.DescribeResponse) { d.Parameters[0].Value = nil },
		"questions[0].asks has 0":          func(d *describev1.DescribeResponse) { d.Questions[0].Asks = "" },
		"questions[0].call has 0":          func(d *describev1.DescribeResponse) { d.Questions[0].Call = "" },
		"questions[0].method has 501":      func(d *describev1.DescribeResponse) { d.Questions[0].Method = strings.Repeat("ü", 501) },
		"questions[0].multiplicity has 0":  func(d *describev1.DescribeResponse) { d.Questions[0].Multiplicity = "" },
		"questions[0].sources are empty":   func(d *describev1.DescribeResponse) { d.Questions[0].Sources = nil },
		"questions[0].sources[0] is 1":     func(d *describev1.DescribeResponse) { d.Questions[0].Sources[0] = 1 },
		"questions has 33": func(d *describev1.DescribeResponse) {
			for len(d.Questions) < 33 {
				d.Questions = append(d.Questions, d.Questions[0])
			}
		},
	} {
		t.Run(want, func(t *testing.T) {
			d := good()
			spoil(d)
			assert.ErrorContains(t, sdk.CheckDescription(d), want)
		})
	}
}

func TestContractVersion(t *testing.T) {
	for contract, want := range map[string]int{
		"commonvat.module.palette.v1": 1, "commonvat.module.palette.v9": 9, "commonvat.module.palette.v10": 10, "commonvat.module.palette.v123": 123,
		"commonvat.module.palette.v99999999999999999999": math.MaxInt, "commonvat.module.palette.v0": 0, "commonvat.module.palette.v01": 0,
		"commonvat.module.palette.v": 0, "commonvat.module.palette.v1beta": 0, "commonvat.module.palette.v1.v2": 0, "commonvat.module.palette.v-1": 0,
		"commonvat.module.data.v1": 0, "palette.v1": 0, "": 0,
	} {
		assert.Equal(t, want, sdk.ContractVersion(sdk.KindPalette, contract), contract)
	}
}

func TestDialServesLikeARealModule(t *testing.T) {
	conn := plugintest.Dial(t, echo.Module("echo", "1.0.0", sdk.KindPalette, echo.Back))
	out, err := echo.Call(t.Context(), conn, []byte("weld"))
	require.NoError(t, err)
	assert.Equal(t, "weld", string(out))
	d, err := describev1.NewDescribeServiceClient(conn).Describe(t.Context(), &describev1.DescribeRequest{})
	require.NoError(t, err)
	assert.Equal(t, "echo", d.GetName())
}

func ExampleViolations() {
	var v sdk.Violations
	if l := 104.2; !(l >= 0 && l <= 100) {
		v.Add("colour.l", "is %v, want 0 to 100", l)
	}
	fmt.Println(v.Err())
	// Output: rpc error: code = InvalidArgument desc = colour.l is 104.2, want 0 to 100
}
