package pipeline

import (
	"context"
	"slices"

	"github.com/google/uuid"
	"google.golang.org/grpc"

	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Contracts are those that are spoken here, by kind of module.
func Contracts() map[string][]string {
	return map[string][]string{
		KindReading:    {"commonvat.module.reading.v1"},
		KindDifference: {"commonvat.module.difference.v1"},
		KindPalette:    {WidthsContract, ScoresContract},
		KindCompare:    {"commonvat.module.compare.v1"},
		KindBathscale:  {"commonvat.module.bathscale.v1"},
		KindMordant:    {"commonvat.module.mordant.v1"},
		KindSafety:     {"commonvat.module.safety.v1"},
		KindOverdye:    {"commonvat.module.overdye.v1"},
	}
}

// SelfTest asks a module that is about to serve one small question of its kind, and checks the answer as any other. What it asks is the same each time.
// Errors: *ModuleError; ctx.Err().
func SelfTest(ctx context.Context, identity *typesv1.ModuleIdentity, described *describev1.DescribeResponse, conn grpc.ClientConnInterface) error {
	p := New(one{candidate{conn, identity, described}})
	condition := trial.ColourCondition{Illuminant: trial.IlluminantD65, Observer: trial.Observer10}
	blue, green := trial.Lab{L: 40, A: -5, B: -30}, trial.Lab{L: 55, A: -25, B: 30}
	switch identity.GetKind() {
	case KindReading:
		r, err := p.OpenReading()
		if err != nil {
			return err
		}
		defer r.Close()
		_, err = r.Compute(ctx, condition, []trial.RawColour{{Lab: &blue, LabCondition: condition}})
		return err
	case KindDifference:
		formula := "ciede2000"
		for _, parameter := range described.GetParameters() {
			if choices := parameter.GetChoice().GetChoices(); parameter.GetName() == "formula" && len(choices) > 0 {
				formula = choices[0]
			}
		}
		_, err := p.ComputeDifference(ctx, condition, Formula{Name: formula}, blue, green)
		return err
	case KindPalette:
		labels := Labels{Groups: []string{"a", "b"}, Blocks: []string{""}, Strata: []string{""}, Cells: []string{"x", "y"}}
		rows := []Row{{ReadingID: uuid.UUID{1}, Lab: blue}, {ReadingID: uuid.UUID{2}, Cell: 1, Lab: green}, {ReadingID: uuid.UUID{3}, Group: 1, Lab: green}}
		if slices.Contains(described.GetContracts(), WidthsContract) {
			if _, _, err := p.MeasureWidths(ctx, WidthsQuestion{Condition: condition, Labels: labels, ThresholdDE00: 5, Rows: RowList(rows)}); err != nil {
				return err
			}
		}
		if slices.Contains(described.GetContracts(), ScoresContract) {
			if _, err := p.ScorePalettes(ctx, KindPalette, ScoresQuestion{Condition: condition, Labels: labels, Rows: rows, Ages: true, Spectra: true}); err != nil {
				return err
			}
		}
		return nil
	case KindCompare:
		_, _, err := p.CompareOrders(ctx, OrdersQuestion{
			Condition: condition, Labels: Labels{Groups: []string{"a", "b"}, Blocks: []string{""}, Strata: []string{""}, Cells: []string{"x", "y"}}, ThresholdDE00: 5,
			Rows: []Row{{ReadingID: uuid.UUID{1}, Lab: blue}, {ReadingID: uuid.UUID{2}, Cell: 1, Lab: green}, {ReadingID: uuid.UUID{3}, Group: 1, Lab: green}},
		})
		return err
	case KindBathscale:
		_, _, err := p.ScaleBaths(ctx, &bathscalev1.ScaleBathsRequest{
			Fibre: []*bathscalev1.FibreLot{{PieceId: "a", Composition: []*typesv1.FibrePart{{Fibre: "wool", Percent: 100}}, MassG: 100}},
			Bench: &bathscalev1.Bench{Balances: []*bathscalev1.Balance{{StepG: 0.1}}},
			Baths: []*bathscalev1.BathRecipe{{BathId: "b", Volume: &bathscalev1.BathRecipe_LiquorRatio{LiquorRatio: 30}, Doses: []*bathscalev1.Dose{
				{Material: "weld", Figure: &bathscalev1.Dose_PercentWof{PercentWof: 100}},
			}}},
		})
		return err
	case KindMordant:
		_, _, err := p.SelectMordants(ctx, "", &mordantv1.SelectMordantsRequest{Fibres: []string{"wool"}, Dyestuffs: []*mordantv1.Dyestuff{{Name: "weld"}}})
		return err
	case KindSafety:
		if _, _, err := p.ListFields(ctx, KindSafety); err != nil {
			return err
		}
		_, _, err := p.JudgeSteps(ctx, KindSafety, &safetyv1.JudgeStepsRequest{Steps: []*safetyv1.StepFacts{{StepId: "a"}}})
		return err
	case KindOverdye:
		grey := func(r float64) *overdyev1.OverdyeCurve {
			return &overdyev1.OverdyeCurve{Reflectance: slices.Repeat([]float64{r}, 16)}
		}
		_, _, err := p.PredictOverdye(ctx, &overdyev1.PredictOverdyeRequest{
			Condition: conditionMessage(condition), StartNm: 400, StepNm: 20, WavelengthCount: 16, OverdyeClass: &overdyev1.OverdyeClass{FirstDye: "first", SecondDye: "second"},
			Piece: &overdyev1.OverdyeColours{Substrate: grey(0.8), First: grey(0.4), Second: grey(0.2)}, AskOrder: true,
		})
		return err
	}
	return nil // a kind that isn't called here
}

// one gives the same module for whatever is asked.
type one struct{ handle Handle }

func (o one) Acquire(string) (Handle, error) { return o.handle, nil }
func (one) Serving(string, string) []string  { return nil }

// candidate is a module that isn't in the catalog yet.
type candidate struct {
	grpc.ClientConnInterface
	identity  *typesv1.ModuleIdentity
	described *describev1.DescribeResponse
}

func (c candidate) Identity() *typesv1.ModuleIdentity         { return c.identity }
func (c candidate) Description() *describev1.DescribeResponse { return c.described }
func (candidate) Release()                                    {}
func (candidate) Blame(string)                                {}
