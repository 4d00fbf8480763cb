package pool

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// notStated is how the pool's answers call what the record doesn't say.
const notStated = "not stated"

// exhaustNumberless is an exhaust bath that the source doesn't number.
const exhaustNumberless = "exhaust bath, number not stated"

// orderKind says whether a route can stand in an order question, and if not why.
type orderKind uint8

const (
	orderTwoColours orderKind = iota // exactly two colour layers from two dyes
	orderNotStated
	orderUndyed
	orderBlankArm
	orderOneColour
	orderManyColours
	orderMixedPot
	orderSameDye
)

// reason says why pieces of that kind are left out of an order question; "" for orderTwoColours.
func (k orderKind) reason() string {
	switch k {
	case orderNotStated:
		return "history not stated, so the order can't be relied on"
	case orderUndyed:
		return "undyed: no colour layer"
	case orderBlankArm:
		return "blank arm: one colour and the blank of another"
	case orderOneColour:
		return "one colour layer only"
	case orderManyColours:
		return "more than two colour layers"
	case orderMixedPot:
		return "a pot with several dyes in it"
	case orderSameDye:
		return "both colour layers of the same dye"
	}
	return ""
}

// colourLayer is one dye step of a route.
type colourLayer struct {
	name    string // "weld", "madder+weld" or "not stated"
	dyes    string // sorted, one a line; "": not stated
	vat     bool
	depth   trial.Depth
	exhaust string // in words
	water   string // as trial.Layer.Water, "" not stated
}

// dyeList lists the dyes of a layer, sorted; none when they aren't stated.
func (c *colourLayer) dyeList() []string {
	if c.dyes == "" {
		return nil
	}
	return strings.Split(c.dyes, "\n")
}

// route is what pieces with the same stated history have in common, without the pots themselves and without the delivered depths.
// It is shared by the rows of a trial that have it and never changed.
//
// A pool may have hundreds of thousands of different routes that differ in little: so each layer is kept once, and of the key that distinguishes
// routes only its digest.
type route struct {
	digest routeDigest // tells routes apart; see appendKey
	colour []*colourLayer
	*routeWords
}

// routeDigest is the first half of a SHA-256, which suffices to tell routes apart; zero is no route.
type routeDigest [sha256.Size / 2]byte

// start is the start of a digest, ordered as it is.
func (d *routeDigest) start() uint64 { return binary.BigEndian.Uint64(d[:]) }

// water is that of the colour layers, ids; "" not stated.
func (r *route) water() string {
	text, _ := joined(r.waters(), "")
	return text
}

func (r *route) waters() []string {
	waters := make([]string, len(r.colour))
	for i, c := range r.colour {
		waters[i] = c.water
	}
	return waters
}

// routeWords is of a route what few routes differ in; each is kept once.
type routeWords struct {
	kind orderKind
	// undyed: fully stated and without a colour layer.
	undyed bool
	// hidden: some step isn't stated.
	hidden       bool
	mordantKnown bool
	exhaustKnown bool
	waterKnown   bool
	// order is the dyes in their order, "weld > indigo".
	order symbol
	// blankAfter is the dye of whose bath a piece had the blank, as the only blank and after the last colour; "" for all other pieces.
	blankAfter symbol
	// mordant is the set of mordants, "alum + iron", "none" or "not stated".
	mordant symbol
	// mordantPlace says where among the colour layers the mordants stand.
	mordantPlace symbol
	exhaust      symbol
	// around is what a matched pair must share beside its colour layers: mordants, tannins and modifiers, whatever their place.
	around symbol
}

// delivered is how much of its dye reached a piece in one colour layer; NaN is not known.
type delivered struct {
	percentWOF float64
	dips       float64
	gramsPerL  float64
}

// sameDepth tells whether the same is known of two layers.
func sameDepth(a, b delivered) bool {
	alike := func(x, y float64) bool { return x == y || math.IsNaN(x) && math.IsNaN(y) }
	return alike(a.percentWOF, b.percentWOF) && alike(a.dips, b.dips) && alike(a.gramsPerL, b.gramsPerL)
}

// appendKey appends what tells routes apart. The bath and the delivered amounts are not in it.
func appendKey(key []byte, r *trial.Route, historyNotStated bool) []byte {
	bar := func() { key = append(key, '|') }
	key = strconv.AppendBool(key, historyNotStated)
	bar()
	key = strconv.AppendBool(key, r.NotStated)
	for i := range r.Layers {
		l := &r.Layers[i]
		key = append(key, '\n', '[')
		for k, p := range l.Purposes {
			if k > 0 {
				key = append(key, ' ')
			}
			key = strconv.AppendInt(key, int64(p), 10)
		}
		key = append(key, ']', '|')
		key = strconv.AppendInt(key, int64(l.Exhaust), 10)
		bar()
		key = strconv.AppendBool(key, l.ExhaustNumberNotStated)
		bar()
		key = strconv.AppendBool(key, l.ExhaustNotStated)
		bar()
		key = strconv.AppendQuote(key, l.BlankOf)
		bar()
		key = strconv.AppendInt(key, int64(l.IntendedDepth), 10)
		bar()
		key = strconv.AppendQuote(key, l.Water)
		bar()
		key = strconv.AppendBool(key, l.ContentsNotStated)
		for _, m := range l.Materials {
			bar()
			key = strconv.AppendInt(key, int64(m.Role), 10)
			key = append(key, ' ')
			key = strconv.AppendQuote(key, m.Material)
		}
	}
	return key
}

func has(l trial.Layer, purposes ...trial.Purpose) bool {
	return slices.ContainsFunc(l.Purposes, func(p trial.Purpose) bool { return slices.Contains(purposes, p) })
}

// only reports whether a layer has purposes and no other than these.
func only(l trial.Layer, purposes ...trial.Purpose) bool {
	other := func(p trial.Purpose) bool { return !slices.Contains(purposes, p) }
	return len(l.Purposes) > 0 && !slices.ContainsFunc(l.Purposes, other)
}

func materials(l trial.Layer, roles ...trial.Role) []string {
	var out []string
	for _, m := range l.Materials {
		if slices.Contains(roles, m.Role) {
			out = append(out, m.Material)
		}
	}
	return out
}

// mordantsOf lists what a layer mordants with; cream of tartar and other assists belong to the mordant of a mordant bath.
func mordantsOf(l trial.Layer) []string {
	if has(l, trial.MordantBath) {
		return materials(l, trial.Mordant, trial.Assist)
	}
	return materials(l, trial.Mordant)
}

func exhaustWords(l trial.Layer) string {
	switch {
	case l.ExhaustNotStated:
		return notStated
	case l.ExhaustNumberNotStated:
		return exhaustNumberless
	case l.Exhaust > 0:
		return fmt.Sprintf("exhaust bath %d", l.Exhaust)
	}
	return "fresh bath"
}

// newRoute derives the columns of a route, and its colour layers, which are to be put into it.
func newRoute(r *trial.Route, historyNotStated bool, shared *dictionary) (route, []*colourLayer) {
	words := routeWords{hidden: historyNotStated || r.NotStated}
	out := route{routeWords: &words}
	var dyes, mordants, around, places, exhausts []string
	blanks, openMordant := 0, historyNotStated
	blankOf, blankAt := "", 0
	for _, l := range r.Layers {
		if l.ContentsNotStated && !only(l, trial.Scour, trial.Rinse) {
			out.hidden = true
			openMordant = openMordant || len(l.Purposes) == 0 || has(l, trial.MordantBath)
		}
		if l.BlankOf != "" {
			blanks++
			blankOf, blankAt = l.BlankOf, len(out.colour)
		}
		if m := mordantsOf(l); len(m) > 0 {
			mordants = append(mordants, m...)
			places = append(places, strings.Join(sorted(m), " + ")+placeAfter(out.colour, l.IsColour()))
		}
		for _, m := range materials(l, trial.Tannin, trial.Modifier) {
			around = append(around, "with "+m)
		}
		if !l.IsColour() {
			continue
		}
		in := sorted(materials(l, trial.Dye))
		c := shared.layer(colourLayer{
			name: l.DyeNames(), dyes: strings.Join(in, "\n"), vat: has(l, trial.Vat), depth: l.IntendedDepth, exhaust: exhaustWords(l), water: l.Water,
		})
		out.colour = append(out.colour, c)
		dyes = append(dyes, in...)
		exhausts = append(exhausts, c.exhaust)
	}
	dyes = sorted(dyes)
	out.order = sym(orderWords(out.colour))
	if blanks != 1 || blankAt != len(out.colour) || out.hidden {
		blankOf = ""
	}
	out.blankAfter = sym(blankOf)
	out.undyed = len(out.colour) == 0 && !out.hidden
	out.kind = kindOf(&out, dyes, blanks)
	mordant, known := mordantWords(sorted(mordants), openMordant, out.hidden)
	place := strings.Join(places, ", ")
	if place == "" {
		place = mordant
	}
	exhaust, exhaustKnown := joined(exhausts, notStated)
	out.mordant, out.mordantKnown, out.mordantPlace = sym(mordant), known, sym(place)
	out.exhaust, out.exhaustKnown = sym(exhaust), exhaustKnown
	_, out.waterKnown = joined(out.waters(), "")
	out.around = sym(mordant + " " + strings.Join(sorted(around), ", "))
	colour := out.colour
	out.colour, out.routeWords = nil, shared.wordsOf(words)
	return out, colour
}

// dyes lists the dyes of a route, sorted, each once.
func (r *route) dyes() []string {
	var all []string
	for _, c := range r.colour {
		all = append(all, c.dyeList()...)
	}
	return sorted(all)
}

// placeAfter says where a mordant stands: before, with or after colour layers.
func placeAfter(before []*colourLayer, inDyePot bool) string {
	switch {
	case inDyePot:
		return " in the dye pot"
	case len(before) == 0:
		return " first"
	}
	return " after " + orderWords(before[len(before)-1:])
}

func orderWords(layers []*colourLayer) string {
	words := make([]string, len(layers))
	for i, c := range layers {
		words[i] = c.name
	}
	return strings.Join(words, " > ")
}

func kindOf(r *route, dyes []string, blanks int) orderKind {
	mixed := slices.ContainsFunc(r.colour, func(c *colourLayer) bool { return len(c.dyeList()) != 1 })
	switch {
	case r.hidden:
		return orderNotStated
	case len(r.colour) == 0:
		return orderUndyed
	case blanks > 0:
		return orderBlankArm
	case len(r.colour) == 1:
		return orderOneColour
	case len(r.colour) > 2:
		return orderManyColours
	case mixed:
		return orderMixedPot
	case len(dyes) != 2:
		return orderSameDye
	}
	return orderTwoColours
}

// mordantWords names a set of mordants. None is said only where the whole history is stated.
func mordantWords(mordants []string, open, hidden bool) (words string, known bool) {
	switch {
	case len(mordants) == 0 && (open || hidden):
		return notStated, false
	case len(mordants) == 0:
		return "none", true
	case open:
		return strings.Join(mordants, " + ") + ", more " + notStated, false
	}
	return strings.Join(mordants, " + "), true
}

// joined gives one text when all are the same, else the texts in order; known is false when one of them is the missing mark.
func joined(texts []string, missing string) (text string, known bool) {
	if len(texts) == 0 {
		return missing, false
	}
	known = !slices.Contains(texts, missing)
	distinct := slices.Compact(slices.Clone(texts))
	if len(distinct) == 1 {
		return distinct[0], known
	}
	for i := range distinct {
		if distinct[i] == "" {
			distinct[i] = notStated
		}
	}
	return strings.Join(distinct, " > "), known
}

// sorted gives a sorted copy with each text once.
func sorted(texts []string) []string {
	out := slices.Clone(texts)
	slices.Sort(out)
	return slices.Compact(out)
}

// depthsOf lists what was delivered in each colour layer.
func depthsOf(r trial.Route) []delivered {
	var out []delivered
	for _, l := range r.Layers {
		if !l.IsColour() {
			continue
		}
		d := delivered{percentWOF: math.NaN(), dips: math.NaN(), gramsPerL: math.NaN()}
		if l.DeliveredPercentWOF != nil {
			d.percentWOF = *l.DeliveredPercentWOF
		}
		if l.Dips > 0 {
			d.dips = float64(l.Dips)
		}
		if l.ConcentrationGPerL != nil {
			d.gramsPerL = *l.ConcentrationGPerL
		}
		out = append(out, d)
	}
	return out
}

// potsOf lists the baths whose accidents a colour carries: those of dye, vat and modifier layers, blanks included. A
// mordant, tannin, scour or rinse bath acts on both orders alike and ties no sessions together.
func potsOf(r trial.Route) []trial.ID {
	var out []trial.ID
	for _, l := range r.Layers {
		if l.BathID != "" && (l.IsColour() || l.BlankOf != "" || has(l, trial.DyeBath, trial.Vat, trial.ModifierBath)) {
			out = append(out, l.BathID)
		}
	}
	return sorted(out)
}
