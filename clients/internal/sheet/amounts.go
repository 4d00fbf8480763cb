package sheet

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

func loadOf(number, of int, l *benchpb.SheetLoad, recipe *benchpb.PlanBath) Load {
	heading := ""
	if of > 1 {
		heading = fmt.Sprintf("Load %d of %d (%s): ", number, of, labels(l.GetPieces()))
	}
	heading += fmt.Sprintf("%s g fibre in %s (1:%s)", figure(l.GetFibreG(), 4), volume(l.GetVolumeMl()), figure(l.GetLiquorRatio(), 3))
	switch {
	case l.GetWaterToAddMl() < 0:
		heading += fmt.Sprintf("; fibre and liquids bring %s too much water", volume(-l.GetWaterToAddMl()))
	default:
		heading += fmt.Sprintf("; add %s water", volume(l.GetWaterToAddMl()))
	}
	if l.GetCarriedMl() > 0 {
		heading += fmt.Sprintf(", the wet fibre brings %s", volume(l.GetCarriedMl()))
	}
	out := Load{Heading: heading}
	for _, a := range l.GetAmounts() {
		out.Amounts = append(out.Amounts, amountOf(a, recipe))
	}
	out.Lifted = lifted(l.GetLifted())
	return out
}

func amountOf(a *benchpb.SheetAmount, recipe *benchpb.PlanBath) Amount {
	out := Amount{Material: a.GetMaterial()}
	dose := doseOf(recipe, a.GetMaterial())
	if form := formOf(dose); form != "" {
		out.Material += ", " + form
	}
	switch {
	case a.GetNotKnown() != "":
		out.Do = "not known: " + a.GetNotKnown()
		return out
	case a.GetWay() == benchpb.AmountWay_AMOUNT_WAY_WEIGHED:
		out.Do = "weigh " + grams(a.GetGrams(), a.GetBalanceStepG())
	case a.GetWay() == benchpb.AmountWay_AMOUNT_WAY_FROM_STOCK:
		out.Do = fmt.Sprintf("stock: %s made up to %s; take %s mL", grams(a.GetStockGrams(), a.GetBalanceStepG()), volume(a.GetStockMl()), figure(a.GetTakeMl(), 3))
	case a.GetWay() == benchpb.AmountWay_AMOUNT_WAY_POURED:
		out.Do = fmt.Sprintf("pour %s mL", figure(a.GetTakeMl(), 3))
		if a.TakeGrams != nil {
			out.Do += fmt.Sprintf(", which weigh %s g", figure(a.GetTakeGrams(), 3))
		}
	default:
		out.Do = fmt.Sprintf("%s g: too little for anything at hand to measure", figure(a.GetGrams(), 2))
	}
	if f, ok := dose.GetFigure().(*benchpb.PlanDose_GramsPerDip); ok {
		out.Do += fmt.Sprintf(", %s g for each of %d dips", figure(f.GramsPerDip, 3), recipe.GetDips())
	}
	if a.LeftGrams != nil {
		out.Do += fmt.Sprintf(" (%s g are left of the bath before)", figure(a.GetLeftGrams(), 3))
	}
	if a.LeastGrams != nil {
		out.Do += fmt.Sprintf(" (reducing the indigo takes %s g at least; air takes more)", figure(a.GetLeastGrams(), 3))
	}
	if told := toldAs(dose); told != "" {
		out.Why = told + "; "
	}
	out.Why += figure(a.GetDeliveredPercent(), 3) + " % WOF"
	if reach := between(a.GetDeliveredLowPercent(), a.GetDeliveredHighPercent(), 3); reach != figure(a.GetDeliveredPercent(), 3) {
		out.Why += ", " + reach
	}
	out.Why += fmt.Sprintf("; ± %s %%", figure(a.GetUncertaintyPercent(), 2))
	if a.GetBeyondWanted() {
		out.Why += ", coarser than wanted"
	}
	return out
}

// lifted tells what pieces that stay meet at most, a line for each number of them.
func lifted(bounds []*benchpb.LiftedEarly) (lines []string) {
	var order []int32
	of := map[int32][]string{}
	ratio := map[int32]float64{}
	for _, e := range bounds {
		n := e.GetPiecesLeft()
		if of[n] == nil {
			order = append(order, n)
		}
		ratio[n] = e.GetLiquorRatio()
		of[n] = append(of[n], fmt.Sprintf("%s %% %s", figure(e.GetAtMostPercent(), 3), e.GetMaterial()))
	}
	for _, n := range order {
		pieces := "pieces"
		if n == 1 {
			pieces = "piece"
		}
		lines = append(lines, fmt.Sprintf("with %d %s left, 1:%s, at most %s on the weight of fibre", n, pieces, figure(ratio[n], 3), strings.Join(of[n], ", ")))
	}
	return lines
}

func doseOf(recipe *benchpb.PlanBath, material string) *benchpb.PlanDose {
	for _, dose := range recipe.GetDoses() {
		if dose.GetMaterial() == material {
			return dose
		}
	}
	return nil
}

// formOf says in which state a material is weighed, where the recipe means another.
func formOf(dose *benchpb.PlanDose) string {
	known := func(v *float64, text string) string {
		if v == nil {
			return "not known"
		}
		return fmt.Sprintf(text, figure(*v, 3))
	}
	switch dose.GetForm() {
	case benchpb.DoseForm_DOSE_FORM_FRESH:
		return "fresh, water " + known(dose.MoisturePercent, "%s %%")
	case benchpb.DoseForm_DOSE_FORM_SUBSTITUTE:
		return "another lot, strength " + known(dose.Strength, "%s times the recipe's")
	case benchpb.DoseForm_DOSE_FORM_IMPURE:
		return "purity " + known(dose.PurityPercent, "%s %%")
	case benchpb.DoseForm_DOSE_FORM_LIQUID:
		if dose.LiquidGPerL == nil && dose.LiquidDensityKgPerL != nil {
			return "liquid of " + known(dose.LiquidPercent, "%s %%") + known(dose.LiquidDensityKgPerL, ", density %s kg/L")
		}
		return "liquid of " + known(dose.LiquidGPerL, "%s g/L")
	case benchpb.DoseForm_DOSE_FORM_UNSPECIFIED:
	}
	return ""
}

// toldAs is how a recipe tells an amount, where that isn't on the weight of fibre.
func toldAs(dose *benchpb.PlanDose) string {
	switch f := dose.GetFigure().(type) {
	case *benchpb.PlanDose_GramsPerLitre:
		return figure(f.GramsPerLitre, 3) + " g/L"
	case *benchpb.PlanDose_PartsOf:
		return fmt.Sprintf("%s parts of %s", figure(f.PartsOf.GetParts(), 3), f.PartsOf.GetOf())
	}
	return ""
}

// figure writes a number with so many significant digits, without an exponent.
func figure(v float64, digits int) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return strconv.FormatFloat(v, 'g', digits, 64)
	}
	decimals := max(0, digits-1-int(math.Floor(math.Log10(math.Abs(v)))))
	text := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

// between writes a range. Both ends have as many decimals as the lower one needs, so that the range isn't narrower than it is.
func between(low, high float64, digits int) string {
	a, b := figure(low, digits), figure(high, digits)
	if low > 0 && high > low {
		decimals := max(0, digits-1-int(math.Floor(math.Log10(low))))
		b = strconv.FormatFloat(high, 'f', min(decimals, 6), 64)
		if strings.Contains(b, ".") {
			b = strings.TrimRight(strings.TrimRight(b, "0"), ".")
		}
	}
	if a == b {
		return a
	}
	return a + " to " + b
}

// grams writes a mass as the balance shows it.
func grams(v, step float64) string {
	if step <= 0 {
		return figure(v, 4) + " g"
	}
	text := strconv.FormatFloat(step, 'f', -1, 64)
	decimals := 0
	if _, after, ok := strings.Cut(text, "."); ok {
		decimals = len(after)
	}
	return strconv.FormatFloat(v, 'f', decimals, 64) + " g"
}

func volume(ml float64) string {
	if ml >= 1000 {
		return strconv.FormatFloat(ml/1000, 'f', 2, 64) + " L"
	}
	return strconv.FormatFloat(ml, 'f', 0, 64) + " mL"
}
