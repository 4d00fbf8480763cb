// Package orders answers which of two dyeing orders gives the wider palette, from sessions that hold matched cells of both.
//
// # Method
//
// Readings are averaged to cell means inside a session. A cell counts where its session holds it in both orders; other cells
// are listed and dropped. Each order's mean is subtracted, within each dye pair: where the two orders give different colours, every
// swap of labels would otherwise mix two clouds, and the test could find nothing. The width is the dispersion
// W = sqrt(mean ‖x − x̄‖²) in CIELAB about the means of the pairs, the statistic T = W(first) − W(second). Pieces of one session share
// its pots, so one swap exchanges the two orders of all cells of a session: all 2^B arrangements up to 2^16, otherwise seeded
// draws with p = (b+1)/(M+1) (Phipson & Smyth 2010, Statistical Applications in Genetics and Molecular Biology 9:39). Two-sided;
// values within 1e-9·max(1, |T|) tie. Means are taken anew for each arrangement, as W does for one pair.
//
// Where enough sessions hold two cells of a pair or more, the statistic is the same difference taken about each session's own means. These contain the
// place of the order and the shift of the pot, so no mean over sessions has to be subtracted, and the swaps are exact. Where there are too few such
// sessions, widths are taken about the orders' means, which are estimated from few sessions: with pots of uneven strength, that alone called one order
// wider in 8 % of simulated experiments without a difference. So an order is then found wider only if the ratio is beyond the jackknife's error too, at
// the same level, which left 4 to 5 %.
//
// The uncertainty of ln(W(first)/W(second)) is a delete-one-session jackknife with Student's t. It has B−1 degrees of freedom; where sessions hold unequal
// numbers of cells it has fewer, as they weigh like fewer sessions of equal size (see freedom). On B−1, orders that differ by exactly the margin were
// called equally wide in 6.7 % of simulated experiments of six sessions with 2, 3 and 6 cells.
//
// The volume of the aligned hulls is given as support, with a p of its own. The number of distinct shades inside a session describes the colours as they
// are: unlike the widths, it changes where all colours of an order are shifted alike, as CIEDE2000 does.
//
// # Verdict
//
// A verdict with p is given once, at the planned closing size: the first ClosingBlocks complete sessions decide. In turn: too few
// sessions or recipes → not enough yet; p ≤ α and a ratio beyond the margin → wider; ratio with its error inside the margin →
// equally wide; p ≤ α → detectable but small; otherwise, and also where the shades or
// the spreads within sessions point the other way, no answer at this size.
// p is adjusted for the number of comparisons (Holm 1979, Scandinavian Journal of Statistics 6:65) before it is compared with α.
//
// # Accuracy
//
// Double precision; the answer does not depend on the order of rows.
package orders

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Row is one reading of one piece.
type Row struct {
	ReadingID string // unique, not empty; rows are sorted by it
	Group     string // order label; "" is not stated, the row is listed and dropped
	Block     string // session; "" is not stated, the row is listed and dropped
	Pair      string // dye pair; orders are aligned within each
	Cell      string // not empty; everything of the cell but the order, so that the two cells of a matched pair share it
	Lab       colorimetry.Lab
}

// Params are what the answer depends on besides the rows. Zero stands for the default, except for Seed and ClosingBlocks.
type Params struct {
	// First and Second are the labels of the two orders. Both may be empty if the rows hold no more than two, which are then sorted.
	First, Second string
	Alpha         float64  // above 0 to 0.5; default 0.05
	MarginRatio   float64  // ratio of dispersions that matters, above 1 to 10; default 1.10
	ThresholdDE   float64  // threshold of the shade counts, above 0 to 100; default 5
	ClosingBlocks int      // sessions at which the experiment gets its verdict; 0 for an exploratory question: no p, no verdict
	BlockOrder    []string // sessions in the order in which they count; every session of the rows is in it. Empty: by label
	Comparisons   int      // how many comparisons are made together, 1 to 1000; default 1
	Permutations  int      // draws where more than 2^16 arrangements exist, 99 to 1e6; default 9,999
	SearchNodes   int      // budget of each shade count, 1 to 1e8; default that of package width
	Seed          uint64
}

// Defaults and the gate.
const (
	DefaultAlpha        = 0.05
	DefaultMarginRatio  = 1.10
	DefaultThresholdDE  = 5.0
	DefaultPermutations = 9999
	MinBlocks           = 6 // below, no two-sided p of 2/2^B can reach .05
	MinRecipes          = 2 // of one pair; one recipe's spread is the noise between sessions, not a palette

	enumerateBlocks       = 16 // all arrangements up to here
	enumerateVolumeBlocks = 12
	volumeDraws           = 1999
)

// Verdict is what can be said.
type Verdict string

// The verdicts.
const (
	NotEnoughYet       Verdict = "not enough yet" // a gate is not met: see Missing
	FirstWider         Verdict = "first wider"
	SecondWider        Verdict = "second wider"
	EquallyWide        Verdict = "equally wide"
	DetectableButSmall Verdict = "detectable but small"
	NoAnswer           Verdict = "no answer at this size" // the test was made and is inconclusive
	Exploratory        Verdict = "exploratory"            // estimates only
)

// NeedKind names what a gate misses.
type NeedKind string

// The kinds of need.
const (
	Sessions NeedKind = "sessions" // complete sessions, holding matched cells of both orders
	Recipes  NeedKind = "recipes"  // matched cells of one dye pair, different in more than the session
)

// Need is something that a gate misses.
type Need struct {
	Kind  NeedKind
	Count int // how many more, at least 1
}

// Of tells the need in a dyer's words. both names what is held against each other: "both orders", "both alum and iron".
func (n Need) Of(both string) string {
	switch {
	case n.Kind == Sessions && n.Count == 1:
		return "1 more session holding " + both
	case n.Kind == Sessions:
		return fmt.Sprintf("%d more sessions holding %s", n.Count, both)
	case n.Count == 1:
		return "1 more recipe found in " + both
	}
	return fmt.Sprintf("%d more recipes found in %s", n.Count, both)
}

// Reason says why a cell was dropped.
type Reason string

// The reasons, in the order in which they are looked for.
const (
	OrderNotStated   Reason = "order not stated"
	AnotherOrder     Reason = "another order"
	SessionNotStated Reason = "session not stated"
	NoPartner        Reason = "no partner in this session"
)

// Dropped is a cell that does not count.
type Dropped struct {
	Group, Block, Pair, Cell string
	ReadingIDs               []string
	Reason                   Reason
}

// Result is the answer for one comparison. What does not exist is nil.
type Result struct {
	Params        Params // as used, defaults filled in
	First, Second string // labels of the orders
	Verdict       Verdict
	Sentence      string // the verdict in a dyer's words
	Missing       []Need // what the gates still want; also told beside an exploratory answer
	Blocks        []string
	LaterBlocks   []string // complete sessions after the closing size, not used
	Cells         int      // matched cells over Blocks, in each order
	Recipes       int      // different dye pair and cell labels among them
	Dropped       []Dropped

	Dispersion *Dispersion // from 2 matched cells
	Outlook    *Outlook    // from 3 sessions
	Volume     *Volume     // from 1 matched cell
	Shades     *Shades     // from 1 matched cell
	Test       *Test       // only at the closing size
}

// Dispersion compares the aligned dispersions, in CIELAB units.
type Dispersion struct {
	First, Second float64
	Difference    float64 // T, First − Second
	// LogRatio is ln(First/Second), nil where one of them is 0.
	LogRatio *float64
	// SELogRatio is from the jackknife over sessions, approximate; nil for fewer than 2 sessions or where a session holds all the spread.
	SELogRatio *float64
	// RatioLow and RatioHigh are exp(LogRatio ∓ t(.95, f)·SE), an approximate 90 % interval, f being B−1 for sessions of equal size. Inside the margin
	// means equally wide.
	RatioLow, RatioHigh *float64
	freedom             int // f
}

// Volume compares the hulls of the aligned cells, in cubic CIELAB units. It supports the dispersion and decides nothing.
type Volume struct {
	First, Second             float64
	FirstStatus, SecondStatus string // ok, flat, line, point
}

// Shades counts the distinct shades of the cells as they are, for equal numbers, inside each session: over all sessions together
// the noise between pots would count as shades of its own (two orders of six recipes each gave 9 and 8 where no session held more
// than 6, and the narrower order had the 9). It describes; only its direction counts against a verdict.
type Shades struct {
	First, Second                 MeanCount   // means over sessions
	FirstTogether, SecondTogether width.Count // over the cells of all sessions, noise between them included
}

// MeanCount is the mean over sessions of a count, from Lower to Upper where a search ran out of its budget.
type MeanCount struct{ Lower, Upper float64 }

// direction is 1 or −1 where the bounds leave no doubt which order holds more shades. The slack is for rounding of the means.
func (s *Shades) direction() int {
	const slack = 1e-9
	switch {
	case s == nil:
		return 0
	case s.First.Lower > s.Second.Upper+slack:
		return 1
	case s.First.Upper < s.Second.Lower-slack:
		return -1
	}
	return 0
}

// Test is the permutation test.
type Test struct {
	Arrangements int // 2^B when enumerated, otherwise draws
	Enumerated   bool
	P            float64 // of the dispersion, two-sided
	// Within says that the test compares the spreads within sessions, as it does where enough sessions hold two cells of a pair; otherwise those
	// about the orders' means, whose swaps are approximate. Difference is that of the spreads tested, First − Second.
	Within     bool
	Difference float64
	PAdjusted  float64 // by Holm over the comparisons
	PVolume    float64 // of the aligned volume, not adjusted; supports, decides nothing
	// VolumeArrangements is behind PVolume: all of them for up to 12 sessions, otherwise up to 1,999 draws, as hulls
	// cost nearly all of the time.
	VolumeArrangements int
}

// Holm adjusts p values for k comparisons made together, of which those given are known; k below their number is taken as it. The
// unknown ones are thought to be larger, which is conservative.
func Holm(p []float64, k int) []float64 {
	k = max(k, len(p))
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int {
		switch {
		case p[i] < p[j]:
			return -1
		case p[i] > p[j]:
			return 1
		}
		return 0
	})
	out := make([]float64, len(p))
	least := 0.0
	for rank, i := range order {
		least = max(least, min(1, float64(k-rank)*p[i]))
		out[i] = least
	}
	return out
}

// NeededBlocks is the least number of sessions with which a verdict is possible at all: 6, or as many as 2^(1−B) ≤ α/k wants.
func NeededBlocks(alpha float64, comparisons int) int {
	b := MinBlocks
	for math.Ldexp(1, 1-b) > alpha/float64(max(1, comparisons)) {
		b++
	}
	return b
}

func (p Params) withDefaults() (Params, error) {
	setFloat := func(at *float64, to float64) {
		if *at == 0 {
			*at = to
		}
	}
	setInt := func(at *int, to int) {
		if *at == 0 {
			*at = to
		}
	}
	setFloat(&p.Alpha, DefaultAlpha)
	setFloat(&p.MarginRatio, DefaultMarginRatio)
	setFloat(&p.ThresholdDE, DefaultThresholdDE)
	setInt(&p.Comparisons, 1)
	setInt(&p.Permutations, DefaultPermutations)
	setInt(&p.SearchNodes, width.DefaultSearchNodes)
	number := func(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
	switch {
	case !(p.Alpha >= 1e-6 && p.Alpha <= 0.5):
		return p, refuse("alpha", number(p.Alpha), "0.000001 to 0.5")
	case !(p.MarginRatio > 1 && p.MarginRatio <= 10):
		return p, refuse("margin_ratio", number(p.MarginRatio), "above 1 to 10")
	case !(p.ThresholdDE > 0 && p.ThresholdDE <= 100):
		return p, refuse("threshold_de", number(p.ThresholdDE), "above 0 to 100")
	case p.ClosingBlocks < 0 || p.ClosingBlocks > 10_000:
		return p, refuse("closing_blocks", strconv.Itoa(p.ClosingBlocks), "0 (exploratory) to 10000")
	case p.Comparisons < 1 || p.Comparisons > 1000:
		return p, refuse("comparisons", strconv.Itoa(p.Comparisons), "1 to 1000")
	case p.Permutations < 99 || p.Permutations > 1e6:
		return p, refuse("permutations", strconv.Itoa(p.Permutations), "99 to 1000000")
	case p.SearchNodes < 1 || p.SearchNodes > 1e8:
		return p, refuse("search_nodes", strconv.Itoa(p.SearchNodes), "1 to 100000000")
	case (p.First == "") != (p.Second == ""):
		return p, refuse("first, second", fmt.Sprintf("%.60q, %.60q", p.First, p.Second), "two labels, or none")
	case p.First != "" && p.First == p.Second:
		return p, refuse("second", fmt.Sprintf("%.60q", p.Second), "a label other than first")
	}
	seen := map[string]bool{}
	for i, b := range p.BlockOrder {
		if b == "" || seen[b] {
			return p, refuse(fmt.Sprintf("block_order[%d]", i), fmt.Sprintf("%.60q", b), "labels that are not empty and occur once")
		}
		seen[b] = true
	}
	return p, nil
}

func refuse(field, value, allowed string) error {
	return &colorimetry.FieldError{Field: field, Value: value, Allowed: allowed}
}
