package difference

import (
	"math"
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The worked examples: (60,0,0) to (62.9,0,0) is a change of 2.9, grade 3-4, 3.2941; (40,10,-30) to (43,8,-24) of 4.874660, 2-3, 2.4802; and a staining
// of 12 is 2.4969 = 6.1 - 1.45 ln 12. A white that only lightens has all its difference in L*.
func TestGrades(t *testing.T) {
	condition := request("cie76", pair(0, 0, 0, 0, 0, 0)).GetCondition()
	got, err := client(t).GradeFastness(t.Context(), &differencev1.GradeFastnessRequest{Condition: condition, Scale: "change",
		Pairs: []*differencev1.ColourPair{pair(60, 0, 0, 62.9, 0, 0), pair(40, 10, -30, 43, 8, -24), pair(40, 10, -30, 40, 10, -30)}})
	require.NoError(t, err)
	for i, want := range []struct {
		difference float64
		grade      string
		continuous float64
	}{{2.9, "3-4", 3.2941}, {4.874660, "2-3", 2.4802}, {0, "5", 5}} {
		assert.InDelta(t, want.difference, got.GetGrades()[i].GetDifference(), 1e-6)
		assert.Equal(t, want.grade, got.GetGrades()[i].GetGrade())
		assert.InDelta(t, want.continuous, got.GetGrades()[i].GetContinuous(), 0.00005)
	}
	got, err = client(t).GradeFastness(t.Context(), &differencev1.GradeFastnessRequest{Condition: condition, Scale: "staining",
		Pairs: []*differencev1.ColourPair{pair(90, 0, 0, 78, 0, 0), pair(90, 0, 0, 90, 0, 0)}})
	require.NoError(t, err)
	assert.InDelta(t, 12, got.GetGrades()[0].GetDifference(), 1e-9)
	assert.InDelta(t, 2.4969, got.GetGrades()[0].GetContinuous(), 0.00005)
	assert.Equal(t, "2-3", got.GetGrades()[0].GetGrade())
	assert.Equal(t, "5", got.GetGrades()[1].GetGrade())

	_, err = client(t).GradeFastness(t.Context(), &differencev1.GradeFastnessRequest{Scale: "light", Pairs: []*differencev1.ColourPair{pair(300, 0, 0, 0, math.NaN(), 0)}})
	refused := moduletest.Refused(t, err)
	assert.Equal(t, `is "light", want change or staining`, refused["scale"])
	assert.Contains(t, refused["condition"], "is missing")
	assert.Equal(t, "is 300, want 0 to 150", refused["pairs[0].reference.l"])
	assert.Equal(t, "is NaN, want -200 to 200", refused["pairs[0].sample.a"])
	_, err = client(t).GradeFastness(t.Context(), &differencev1.GradeFastnessRequest{Condition: condition, Scale: "change"})
	assert.Equal(t, "has 0 pairs, want 1 to 10000", moduletest.Refused(t, err)["pairs"])
}

// References that fade half as much each; the cuts between them are ours.
func TestBlueWools(t *testing.T) {
	changes := []float64{32, 16, 8, 4, 2, 1, 0.5, 0.25}
	got, err := client(t).BracketBlueWool(t.Context(), &differencev1.BracketBlueWoolRequest{ReferenceChanges: changes, Changes: []float64{40, 22, 2, 0}})
	require.NoError(t, err)
	for i, want := range []string{"below 1", "1-2", "5", "above 8"} {
		assert.Equal(t, want, got.GetPieces()[i].GetFastness())
	}
	assert.EqualValues(t, 1, got.GetPieces()[1].GetLow())
	assert.EqualValues(t, 2, got.GetPieces()[1].GetHigh())
	for _, c := range []struct {
		references, changes []float64
		field, says         string
	}{
		{changes[:7], []float64{1}, "reference_changes", "has 7 figures, want 8"},
		{changes, nil, "changes", "has 0 figures"},
		{changes, []float64{1, math.NaN()}, "changes[1]", "is NaN, want 0 to 1000"},
		{[]float64{8, 9, 7, 6, 5, 4, 3, 2}, []float64{1}, "reference_changes[1]", "is 9, want below the one before, 8"},
		{[]float64{1.2, 1.1, 1, .9, .8, .7, .6, .5}, []float64{1}, "reference_changes", "insufficient exposure"},
	} {
		_, err := client(t).BracketBlueWool(t.Context(), &differencev1.BracketBlueWoolRequest{ReferenceChanges: c.references, Changes: c.changes})
		assert.Contains(t, moduletest.Refused(t, err)[c.field], c.says)
	}
}

func FuzzFastness(f *testing.F) {
	f.Add("change", 40.0, 10.0, -30.0, 43.0, 8.0, -24.0)
	f.Add("staining", 90.0, 0.0, 0.0, 90.0, 1e-300, 0.0)
	f.Add("change", 0.0, 200.0, 200.0, 150.0, -200.0, 5e-324)
	s := NewServer()
	f.Fuzz(func(t *testing.T, scale string, l1, a1, b1, l2, a2, b2 float64) {
		got, err := s.GradeFastness(t.Context(), &differencev1.GradeFastnessRequest{Condition: request("cie76").GetCondition(), Scale: scale,
			Pairs: []*differencev1.ColourPair{pair(l1, a1, b1, l2, a2, b2)}})
		if err != nil {
			moduletest.Refused(t, err)
		} else if g := got.GetGrades()[0]; !(g.GetDifference() < 1e4) || !(g.GetContinuous() >= 1 && g.GetContinuous() <= 5) {
			t.Fatalf("no grade: %v", g)
		}
		blue, err := s.BracketBlueWool(t.Context(), &differencev1.BracketBlueWoolRequest{ReferenceChanges: []float64{a1, b1, 8, l2, 2, 1, b2, 0}, Changes: []float64{l1, a2}})
		if err != nil {
			moduletest.Refused(t, err)
			return
		}
		for _, p := range blue.GetPieces() {
			if p.GetLow() < 1 || p.GetHigh() > 8 || p.GetLow() > p.GetHigh() {
				t.Fatalf("no bracket: %v", p)
			}
		}
	})
}
