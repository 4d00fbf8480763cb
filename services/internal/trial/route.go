package trial

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Step is one immersion with the bath it was in and what shared the bath.
type Step struct {
	Immersion Immersion
	Bath      *Bath
	// LoadG is the mass of all fibre that was in the bath at that exhaust, in grams; nil when not known.
	LoadG *float64
}

// Stretch is one piece's own part of a history, in order of position. A
// history begins with the oldest forebear's.
type Stretch struct {
	// NotStatedBefore is true when something was done before this stretch that nobody can tell.
	NotStatedBefore bool
	Steps           []Step
}

// DeriveRoute makes a route out of a piece's whole history, the part that it
// inherited first.
//
//   - Baths only for scouring and rinsing make no layer.
//   - Steps next to each other in the same bath at the same exhaust are one layer; their
//     dips add up.
//   - A layer's materials are all that was put in up to that exhaust.
//   - Delivered % WOF is 100 × dye / load, for the fresh bath of what is no vat and with every
//     amount known, of a liquid by its density (100 % is the fibre's own mass of dyestuff: common practice, no source).
//   - A vat has dips and grams of dye in a litre of liquor.
//   - A blank bath is a layer and no colour.
//   - A layer of which no material is told (or, of a dye bath, no dye) is not stated.
func DeriveRoute(history []Stretch) Route {
	var route Route
	var names []string
	var order []string
	var last Step // the step that the last layer was made of
	for _, stretch := range history {
		if stretch.NotStatedBefore {
			route.NotStated = true
			names = append(names, "earlier steps not stated")
			last = Step{}
		}
		for _, step := range stretch.Steps {
			if onlyPrepares(step.Bath) {
				continue
			}
			n := len(route.Layers)
			if last.Bath != nil && last.Bath.ID == step.Bath.ID && last.Immersion.Exhaust == step.Immersion.Exhaust {
				again(&route.Layers[n-1], step)
				names[len(names)-1] = route.Layers[n-1].String()
				continue
			}
			last = step
			layer := layerOf(step)
			route.Layers = append(route.Layers, layer)
			names = append(names, layer.String())
			if layer.ContentsNotStated {
				route.NotStated = true
			}
			if layer.IsColour() {
				order = append(order, layer.DyeNames())
			}
		}
	}
	route.Order = strings.Join(order, " > ")
	route.Text = strings.Join(names, " > ")
	return route
}

func onlyPrepares(b *Bath) bool {
	for _, purpose := range b.Purposes {
		if purpose != Scour && purpose != Rinse {
			return false
		}
	}
	return len(b.Purposes) > 0
}

func (b *Bath) has(purpose Purpose) bool { return slices.Contains(b.Purposes, purpose) }

func dips(im Immersion) int { return max(im.Dips, 1) }

func layerOf(step Step) Layer {
	bath, exhaust := step.Bath, step.Immersion.Exhaust
	layer := Layer{
		Purposes:               slices.Clone(bath.Purposes),
		Materials:              materials(bath, exhaust),
		Exhaust:                exhaust,
		ExhaustNumberNotStated: bath.ExhaustNumberNotStated,
		ExhaustNotStated:       bath.ExhaustNotStated,
		BlankOf:                bath.BlankOf,
		IntendedDepth:          step.Immersion.IntendedDepth,
		BathID:                 bath.ID,
		Water:                  WaterKey(bath.Water),
		ContentsNotStated:      bath.ContentsNotStated,
	}
	if bath.BlankOf == "" && (len(layer.Materials) == 0 || layer.IsColour() && !slices.ContainsFunc(layer.Materials, isDye)) {
		// A bath of which nothing is told, or a dye bath of which no dye is: the record says no more than that there was one.
		layer.ContentsNotStated = true
	}
	if bath.has(Vat) {
		layer.Dips = dips(step.Immersion)
		layer.ConcentrationGPerL = concentration(bath, exhaust)
	} else {
		layer.DeliveredPercentWOF = delivered(bath, exhaust, step.LoadG)
	}
	return layer
}

// again takes a further immersion into the layer.
func again(layer *Layer, step Step) {
	if step.Bath.has(Vat) {
		layer.Dips += dips(step.Immersion)
	}
	if step.Immersion.IntendedDepth != DepthUnstated {
		layer.IntendedDepth = step.Immersion.IntendedDepth
	}
}

func isDye(m LayerMaterial) bool { return m.Role == Dye }

// materials lists what was in a bath at an exhaust, each once, by role and name.
func materials(b *Bath, exhaust int) []LayerMaterial {
	var all []LayerMaterial
	for i := range b.Additions {
		a := &b.Additions[i]
		m := LayerMaterial{Material: a.Material, Role: a.Role}
		if !a.Superseded && a.Exhaust <= exhaust && !slices.Contains(all, m) {
			all = append(all, m)
		}
	}
	slices.SortFunc(all, func(x, y LayerMaterial) int {
		if x.Role != y.Role {
			return int(x.Role) - int(y.Role)
		}
		return strings.Compare(x.Material, y.Material)
	})
	return all
}

// dyeGrams is the mass of all dye in a bath at an exhaust; ok is false when there
// is none, or some amount isn't known as a mass.
func dyeGrams(b *Bath, exhaust int) (grams float64, ok bool) {
	if b.ContentsNotStated || b.BlankOf != "" {
		return 0, false
	}
	for i := range b.Additions {
		a := &b.Additions[i]
		if a.Superseded || a.Role != Dye || a.Exhaust > exhaust {
			continue
		}
		g, known := a.Grams()
		if !known {
			return 0, false
		}
		grams += g
		ok = true
	}
	return grams, ok
}

func delivered(b *Bath, exhaust int, loadG *float64) *float64 {
	if exhaust != 0 || b.ExhaustNotStated || b.ExhaustNumberNotStated || loadG == nil {
		return nil
	}
	grams, ok := dyeGrams(b, 0)
	if !ok {
		return nil
	}
	return ratio(100*grams, *loadG)
}

func concentration(b *Bath, exhaust int) *float64 {
	grams, ok := dyeGrams(b, exhaust)
	if !ok || !b.Liquor.Known() || b.Liquor.Unit != Litre {
		return nil
	}
	return ratio(grams, b.Liquor.Value)
}

// ratio is nil where it would be no number.
func ratio(over, under float64) *float64 {
	r := over / under
	if under <= 0 || !finite(r) {
		return nil
	}
	return &r
}

// WaterKey names a mix of waters: source ids with their shares in percent to one decimal,
// by id, as in "id:60+id:40"; "" when not stated. Samples of one source count together.
func WaterKey(parts []WaterPart) string {
	shares := map[ID]float64{}
	total := 0.0
	for _, part := range parts {
		if !finite(part.Parts) || part.Parts <= 0 {
			return ""
		}
		shares[part.SourceID] += part.Parts
		total += part.Parts
	}
	if total <= 0 || !finite(total) {
		return ""
	}
	keys := make([]string, 0, len(shares))
	for id, share := range shares {
		percent := strconv.FormatFloat(100*share/total, 'f', 1, 64)
		keys = append(keys, id+":"+strings.TrimSuffix(percent, ".0"))
	}
	slices.Sort(keys)
	return strings.Join(keys, "+")
}

// IsColour reports whether the layer gave colour: a dye or a vat, and no blank.
func (l *Layer) IsColour() bool {
	if l.BlankOf != "" {
		return false
	}
	return slices.Contains(l.Purposes, DyeBath) || slices.Contains(l.Purposes, Vat) || slices.ContainsFunc(l.Materials, isDye)
}

// DyeNames joins the dyes of the layer, as in "madder+weld"; "not stated" when it has none.
func (l *Layer) DyeNames() string {
	if names := l.names(Dye); names != "" {
		return names
	}
	return "not stated"
}

func (l *Layer) names(roles ...Role) string {
	var names []string
	for _, m := range l.Materials {
		if slices.Contains(roles, m.Role) && !slices.Contains(names, m.Material) {
			names = append(names, m.Material)
		}
	}
	return strings.Join(names, "+")
}

// String is the layer in a line: "weld with alum (exhaust bath 2)".
func (l *Layer) String() string {
	text := l.title()
	var remarks []string
	switch {
	case l.ExhaustNotStated:
		remarks = append(remarks, "fresh or exhaust bath not stated")
	case l.ExhaustNumberNotStated:
		remarks = append(remarks, "exhaust bath, number not stated")
	case l.Exhaust > 0:
		remarks = append(remarks, fmt.Sprintf("exhaust bath %d", l.Exhaust))
	}
	switch {
	case l.Dips == 1:
		remarks = append(remarks, "1 dip")
	case l.Dips > 1:
		remarks = append(remarks, fmt.Sprintf("%d dips", l.Dips))
	}
	if len(remarks) > 0 {
		text += " (" + strings.Join(remarks, ", ") + ")"
	}
	return text
}

func (l *Layer) title() string {
	if l.BlankOf != "" {
		return "blank of " + l.BlankOf
	}
	dyes, others := l.names(Dye), l.names(Mordant, Tannin, Modifier)
	switch {
	case dyes != "" && others != "":
		return dyes + " with " + others
	case dyes != "":
		return dyes
	case others != "" && !l.IsColour():
		return others
	}
	what := "step"
	for _, purpose := range l.Purposes {
		if name := purposeNames[purpose]; name != "" {
			what = name
			break
		}
	}
	if l.ContentsNotStated {
		return what + " not stated"
	}
	if assists := l.names(Assist); assists != "" {
		return assists
	}
	return what
}

var purposeNames = map[Purpose]string{
	MordantBath: "mordant", TanninBath: "tannin", DyeBath: "dye", Vat: "vat", ModifierBath: "modifier",
}
