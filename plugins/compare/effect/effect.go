// Package effect tells whether the order of two dyes changes the colour, by how much, and in which recipes, from sessions that hold
// matched cells of both orders, with what the second bath's liquor does by itself (blank arms).
//
// # Method
//
// Readings are averaged to cell means inside a session. d_j is the mean, over the matched cells of session j, of the first order
// minus the second in L*, a*, b*; d̄ its mean over sessions; D is CIEDE2000 between the two grand means of session means.
//
//   - Test: the signs of d_j are turned session by session, statistic ‖d̄‖, all 2^B arrangements up to 2^16, otherwise seeded draws with
//     p = (b+1)/(M+1) (Phipson & Smyth 2010). Exact if the two orders of a session are exchangeable under no effect, as when the
//     pots were assigned by lot.
//   - Hotelling's T² = B·d̄ᵀS⁻¹d̄ with F = (B−3)T²/(3(B−1)) on (3, B−3) degrees of freedom stands beside it from 4 sessions on.
//   - Upper bound U = D + t(.95, B−1)·SE, SE by leaving out one session at a time.
//   - Does it depend on the cell? The differences d_jc go through an analysis of variance by cell within session (package groups), which
//     takes the accidents that a session's pots share off; then the cells are tested by the same turns of sessions, adjusted
//     by the largest of their statistics (Westfall & Young 1993, from memory), so that six sessions are enough for any number of cells.
//
// The mean of per-session CIEDE2000 is no evidence of anything: it is above 0 under pure noise.
//
// # Verdict
//
// At the closing size only; first match: too few sessions → not enough yet; p ≤ α and D ≥ δ → order matters; cells differ and one of them
// is found with ΔE00 ≥ δ → depends on the cell; cells differ otherwise → no answer; U < δ → no answer if a cell that six sessions hold looks δ or more apart
// by itself, detectable but small if p ≤ α, else no practical difference; otherwise no answer at this size.
//
// U < δ is about the average over cells. Where one recipe of four lay δ apart, the others not, and pots differed by 0.4, 31 % of simulated experiments of
// six sessions found no practical difference. To ask for U < δ of every cell would bring that down to 3 %; but of experiments whose orders are equal in
// all of eight recipes it would find only a quarter, instead of nine tenths.
package effect

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/commonvat/commonvat/plugins/compare/fdist"
	"github.com/commonvat/commonvat/plugins/compare/groups"
	"github.com/commonvat/commonvat/plugins/compare/orders"
	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Arm says what was done to a piece.
type Arm int

// The arms of a design that is honest about order. First and second are the two orders; A is the first order's first dye.
const (
	FirstOrder  Arm = iota + 1 // A, then B
	SecondOrder                // B, then A
	AloneA                     // A only, the plain piece of A's pot in the first order
	AloneB                     // B only, the plain piece of B's pot in the second order
	BlankAfterA                // A, then B's bath without its dye
	BlankAfterB                // B, then A's bath without its dye
)

// Row is one reading of one piece.
type Row struct {
	ReadingID string // unique, not empty; rows are sorted by it
	Arm       Arm
	Block     string // session; "" is not stated, the row is counted and left out
	Cell      string // not empty; all that the arms of a recipe share: fibre lot, water, depths, mordants
	// Repeat tells repeats of the whole route, with pots of their own, from each other inside a session; "" for a piece that shared its
	// pots. Only the former say how far a dyer's own work repeats.
	Repeat string
	Lab    colorimetry.Lab
}

// Params are what the answer depends on besides the rows. Zero stands for the default, except for Seed and ClosingBlocks.
type Params struct {
	ToleranceDE   float64  // δ in CIEDE2000, above 0 to 100; default 2
	Alpha         float64  // 0.000001 to 0.5; default 0.05
	ClosingBlocks int      // sessions at which the experiment gets its verdict; 0 for an exploratory question: no p, no verdict
	BlockOrder    []string // sessions in the order in which they count; every session of the rows is in it. Empty: by label
	Comparisons   int      // how many such questions are asked together, 1 to 1000; default 1
	Permutations  int      // draws where more than 2^16 arrangements exist, 99 to 1e6; default 9,999
	Seed          uint64
	NoOutlook     bool // spares the simulations of Outlook
}

// Defaults and gates.
const (
	DefaultToleranceDE = 2.0
	MinBlocks          = orders.MinBlocks
	enumerateUpTo      = 16
	// maxCondition is the condition number of the covariance from which Hotelling's statistic is not computed.
	maxCondition = 1e10
)

// Verdict is what can be said.
type Verdict string

// The verdicts.
const (
	NotEnoughYet          Verdict = "not enough yet"
	OrderMatters          Verdict = "order matters"
	DependsOnCell         Verdict = "depends on the cell"
	DetectableButSmall    Verdict = "detectable but small"
	NoPracticalDifference Verdict = "no practical difference"
	NoAnswer              Verdict = "no answer at this size"
	Exploratory           Verdict = "exploratory"
)

// Result is the answer. What does not exist is nil.
type Result struct {
	Params      Params
	Verdict     Verdict
	Sentence    string
	Missing     []string // in a dyer's words
	Blocks      []string // sessions used, holding both orders of a cell
	LaterBlocks []string // complete sessions after the closing size
	Cells       int      // matched cells over Blocks
	Unmatched   []string // cells of either order without the other in their session, by session and cell
	NoSession   int      // readings without a session

	Overall *Contrast // first order minus second, from 1 session
	// MedianDE is the median over sessions of ΔE00 between the second order's mean and that mean moved by d̄; one shift
	// isn't seen alike on grey and on vivid green.
	MedianDE *float64
	Cell     []CellEffect // by label
	// CellsDiffer is the test whether the effect depends on the cell; nil without two cells in two sessions, or when exploratory.
	CellsDiffer *groups.Test
	Repeat      *Repeatability
	Blanks      []Blank
	Outlook     *Outlook // from 3 sessions
}

// Contrast is the difference between two arms over sessions.
type Contrast struct {
	Blocks     int
	Difference [3]float64 // mean over sessions of L*, a*, b* of the one arm minus the other
	DE         float64    // CIEDE2000 between the grand means of session means
	SE         *float64   // of DE, jackknife over sessions, from 2 sessions
	UpperDE    *float64   // DE + t(.95, B−1)·SE
	// P is by turning signs, nil when exploratory or of fewer than 6 sessions; PAdjusted is over what is tested together (Holm).
	P, PAdjusted *float64
	Arrangements int
	Enumerated   bool
	Hotelling    *Hotelling
}

// Hotelling is the parametric companion of the test by turning signs.
type Hotelling struct {
	T2, F, P float64
	DF2      int // the first degrees of freedom are 3
}

// CellEffect is the effect in one cell, averaged over the sessions that hold it.
type CellEffect struct {
	Cell       string
	Blocks     int
	Difference [3]float64
	DE         float64
	// PAdjusted is over all cells, by their largest statistic; nil when exploratory.
	PAdjusted *float64
}

// Repeatability is from repeats of the whole route.
type Repeatability struct {
	MCDM    float64 // mean CIEDE2000 of a repeat from its cell's mean, times sqrt(r/(r−1))
	Repeats int     // pieces
	DF      int     // repeats less their cells
	// Covariance of L*, a*, b*, pooled within cells.
	Covariance [3][3]float64
}

// BlankKind names what a blank arm tells.
type BlankKind string

// The blank contrasts.
const (
	BathAloneOnA BlankKind = "what B's bath without dye does to A"
	ColourOfBOnA BlankKind = "what B's colour adds to A"
	BathAloneOnB BlankKind = "what A's bath without dye does to B"
	ColourOfAOnB BlankKind = "what A's colour adds to B"
)

// Blank is one contrast of a blank arm.
type Blank struct {
	Kind BlankKind
	Contrast
}

func (p Params) withDefaults() (Params, error) {
	if p.ToleranceDE == 0 {
		p.ToleranceDE = DefaultToleranceDE
	}
	if p.Alpha == 0 {
		p.Alpha = orders.DefaultAlpha
	}
	if p.Comparisons == 0 {
		p.Comparisons = 1
	}
	if p.Permutations == 0 {
		p.Permutations = orders.DefaultPermutations
	}
	number := func(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
	switch {
	case !(p.ToleranceDE > 0 && p.ToleranceDE <= 100):
		return p, refuse("tolerance_de", number(p.ToleranceDE), "above 0 to 100")
	case !(p.Alpha >= 1e-6 && p.Alpha <= 0.5):
		return p, refuse("alpha", number(p.Alpha), "0.000001 to 0.5")
	case p.ClosingBlocks < 0 || p.ClosingBlocks > 10_000:
		return p, refuse("closing_blocks", strconv.Itoa(p.ClosingBlocks), "0 (exploratory) to 10000")
	case p.Comparisons < 1 || p.Comparisons > 1000:
		return p, refuse("comparisons", strconv.Itoa(p.Comparisons), "1 to 1000")
	case p.Permutations < 99 || p.Permutations > 1e6:
		return p, refuse("permutations", strconv.Itoa(p.Permutations), "99 to 1000000")
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

// Measure answers the question. It refuses bad rows and parameters with a *colorimetry.FieldError, for rows inside a *width.RowError,
// and otherwise fails only when ctx ends.
func Measure(ctx context.Context, rows []Row, params Params) (*Result, error) {
	p, err := params.withDefaults()
	if err != nil {
		return nil, err
	}
	cells, noSession, err := averaged(rows)
	if err != nil {
		return nil, err
	}
	rank := map[string]int{}
	for i, b := range p.BlockOrder {
		rank[b] = i
	}
	r := &Result{Params: p, NoSession: noSession}
	var sessions []*session
	for _, s := range sessionsOf(cells) {
		if _, ok := rank[s.label]; !ok && len(p.BlockOrder) > 0 {
			return nil, refuse("block_order", fmt.Sprintf("without %.60q", s.label), "every session of the rows")
		}
		sessions = append(sessions, s)
	}
	slices.SortStableFunc(sessions, func(a, b *session) int { return cmp.Compare(rank[a.label], rank[b.label]) })
	var complete []*session
	for _, s := range sessions {
		matched, alone := s.matched(FirstOrder, SecondOrder)
		r.Unmatched = append(r.Unmatched, alone...)
		switch {
		case len(matched) == 0:
		case p.ClosingBlocks > 0 && len(complete) == p.ClosingBlocks:
			r.LaterBlocks = append(r.LaterBlocks, s.label)
		default:
			complete = append(complete, s)
			r.Blocks = append(r.Blocks, s.label)
			r.Cells += len(matched)
		}
	}
	r.Repeat = repeatability(rows)
	if n := max(p.ClosingBlocks, orders.NeededBlocks(p.Alpha, p.Comparisons)) - len(complete); n > 0 {
		r.Missing = append(r.Missing, orders.Need{Kind: orders.Sessions, Count: n}.Of("both orders"))
	}
	testing := p.ClosingBlocks > 0 && len(r.Missing) == 0
	t := &turner{ctx: ctx, params: p, testing: testing}
	if r.Overall, err = t.contrast(complete, FirstOrder, SecondOrder); err != nil {
		return nil, err
	}
	if r.Overall != nil {
		if r.Overall.P != nil {
			adjusted := min(1, *r.Overall.P*float64(p.Comparisons))
			r.Overall.PAdjusted = &adjusted
		}
		r.MedianDE = medianDE(complete, r.Overall.Difference)
		if r.Cell, r.CellsDiffer, err = t.cells(complete); err != nil {
			return nil, err
		}
		if !p.NoOutlook {
			r.Outlook = foresee(complete, r.Overall, p)
		}
	}
	// Blank arms are looked at over all sessions up to the closing size, whether or not they hold both orders.
	looked := sessions
	if p.ClosingBlocks > 0 {
		looked = slices.DeleteFunc(slices.Clone(sessions), func(s *session) bool { return slices.Contains(r.LaterBlocks, s.label) })
	}
	if r.Blanks, err = t.blanks(looked); err != nil {
		return nil, err
	}
	r.Verdict, r.Sentence = r.judge()
	return r, nil
}

// cellMean is the mean of a session's readings of one cell in one arm.
type cellMean struct {
	block, cell string
	arm         Arm
	sum         [3]float64
	n           float64
}

func (c *cellMean) mean() [3]float64 {
	return [3]float64{c.sum[0] / c.n, c.sum[1] / c.n, c.sum[2] / c.n}
}

func averaged(rows []Row) (cells []*cellMean, noSession int, err error) {
	order, err := width.InOrder(len(rows), func(i int) (string, string, colorimetry.Lab) { return rows[i].ReadingID, rows[i].Cell, rows[i].Lab })
	if err != nil {
		return nil, 0, err
	}
	type key struct {
		block, cell string
		arm         Arm
	}
	at := map[key]*cellMean{}
	for _, i := range order {
		r := rows[i]
		if r.Arm < FirstOrder || r.Arm > BlankAfterB {
			return nil, 0, &width.RowError{Index: i, ReadingID: r.ReadingID, Err: refuse("arm", strconv.Itoa(int(r.Arm)), "1 to 6")}
		}
		if r.Block == "" {
			noSession++
			continue
		}
		k := key{r.Block, r.Cell, r.Arm}
		c := at[k]
		if c == nil {
			c = &cellMean{block: r.Block, cell: r.Cell, arm: r.Arm}
			at[k] = c
			cells = append(cells, c)
		}
		c.n++
		for d, x := range [3]float64{r.Lab.L, r.Lab.A, r.Lab.B} {
			c.sum[d] += x
		}
	}
	slices.SortFunc(cells, func(a, b *cellMean) int {
		return cmp.Or(strings.Compare(a.block, b.block), strings.Compare(a.cell, b.cell), cmp.Compare(a.arm, b.arm))
	})
	return cells, noSession, nil
}

// session holds cell means by cell and arm.
type session struct {
	label string
	names []string // cells, ascending
	cells map[string]map[Arm][3]float64
}

func sessionsOf(cells []*cellMean) []*session {
	var out []*session
	for _, c := range cells {
		if len(out) == 0 || out[len(out)-1].label != c.block {
			out = append(out, &session{label: c.block, cells: map[string]map[Arm][3]float64{}})
		}
		s := out[len(out)-1]
		if s.cells[c.cell] == nil {
			s.cells[c.cell] = map[Arm][3]float64{}
			s.names = append(s.names, c.cell)
		}
		s.cells[c.cell][c.arm] = c.mean()
	}
	return out
}

// matched lists the cells that hold both arms, and those that hold one, told.
func (s *session) matched(a, b Arm) (both []string, alone []string) {
	for _, name := range s.names {
		_, x := s.cells[name][a]
		_, y := s.cells[name][b]
		switch {
		case x && y:
			both = append(both, name)
		case x || y:
			alone = append(alone, s.label+": "+name)
		}
	}
	return both, alone
}

// means are the session's means of two arms over the cells that hold both; false without such a cell.
func (s *session) means(a, b Arm) (x, y [3]float64, ok bool) {
	both, _ := s.matched(a, b)
	n := float64(len(both))
	for _, name := range both {
		for d := range 3 {
			x[d] += s.cells[name][a][d] / n
			y[d] += s.cells[name][b][d] / n
		}
	}
	return x, y, len(both) > 0
}

func (r *Result) judge() (Verdict, string) {
	p, o := r.Params, r.Overall
	if p.ClosingBlocks == 0 {
		if o == nil {
			return Exploratory, "exploratory, no verdict: no session holds a matched cell of both orders"
		}
		return Exploratory, fmt.Sprintf("exploratory, no verdict: so far the two orders lie %.1f apart over %s", o.DE, sessionsWords(o.Blocks))
	}
	if len(r.Missing) > 0 || o == nil || o.PAdjusted == nil {
		return NotEnoughYet, "not enough yet: " + strings.Join(r.Missing, " and ")
	}
	found := *o.PAdjusted <= p.Alpha
	differ := r.CellsDiffer != nil && r.CellsDiffer.P <= p.Alpha
	switch {
	case found && o.DE >= p.ToleranceDE:
		return OrderMatters, fmt.Sprintf("order matters: the two orders lie %.1f apart; what matters is %g", o.DE, p.ToleranceDE)
	case differ:
		var named []string
		for _, c := range r.Cell {
			if c.PAdjusted != nil && *c.PAdjusted <= p.Alpha && c.DE >= p.ToleranceDE {
				named = append(named, fmt.Sprintf("%s (%.1f apart)", c.Cell, c.DE))
			}
		}
		if len(named) > 0 {
			return DependsOnCell, "depends on the cell: order matters for " + strings.Join(named, ", ")
		}
		return NoAnswer, "no answer at this size: the effect differs between cells, and none of them shows one by itself"
	case o.UpperDE != nil && *o.UpperDE < p.ToleranceDE && r.against() != nil:
		c := r.against()
		return NoAnswer, fmt.Sprintf("no answer at this size: on average over the cells the two orders lie less than %g apart, but %s by itself %.1f", p.ToleranceDE, c.Cell, c.DE)
	case o.UpperDE != nil && *o.UpperDE < p.ToleranceDE && found:
		return DetectableButSmall, fmt.Sprintf("detectable but small: the two orders lie %.1f apart, and less than %g by a bound of 95 %%", o.DE, p.ToleranceDE)
	case o.UpperDE != nil && *o.UpperDE < p.ToleranceDE:
		return NoPracticalDifference, fmt.Sprintf("no practical difference: on average over the cells the two orders lie less than %g apart, by a bound of 95 %%", p.ToleranceDE)
	}
	return NoAnswer, fmt.Sprintf("no answer at this size: %s do not tell whether the orders lie %g apart", sessionsWords(o.Blocks), p.ToleranceDE)
}

// against is the cell that speaks most against "no practical difference": of those that stand in MinBlocks sessions or more and look the tolerance or
// more apart, the one that looks farthest apart. It is nil where there is none. Cells in fewer sessions look far apart by chance.
func (r *Result) against() (cell *CellEffect) {
	for i := range r.Cell {
		if c := &r.Cell[i]; c.Blocks >= MinBlocks && c.DE >= r.Params.ToleranceDE && (cell == nil || c.DE > cell.DE) {
			cell = c
		}
	}
	return cell
}

func sessionsWords(n int) string {
	if n == 1 {
		return "1 session"
	}
	return fmt.Sprintf("%d sessions", n)
}

// hotelling is nil for fewer than 4 differences or a covariance that is singular, or nearly.
func hotelling(d [][3]float64) *Hotelling {
	b := len(d)
	if b < 4 {
		return nil
	}
	mean, s := meanAndCovariance(d)
	y, ok := solve(s, mean)
	if !ok {
		return nil
	}
	t2 := 0.0
	for i := range 3 {
		t2 += float64(b) * mean[i] * y[i]
	}
	f := float64(b-3) * t2 / (3 * float64(b-1))
	return &Hotelling{T2: t2, F: f, DF2: b - 3, P: fdist.Upper(f, 3, float64(b-3))}
}

func meanAndCovariance(d [][3]float64) (mean [3]float64, s [3][3]float64) {
	n := float64(len(d))
	for _, x := range d {
		for i := range 3 {
			mean[i] += x[i] / n
		}
	}
	for _, x := range d {
		for i := range 3 {
			for j := range 3 {
				s[i][j] += (x[i] - mean[i]) * (x[j] - mean[j]) / (n - 1)
			}
		}
	}
	return mean, s
}

func de(x, y [3]float64) float64 {
	return colorimetry.CIEDE2000(colorimetry.Lab{L: x[0], A: x[1], B: x[2]}, colorimetry.Lab{L: y[0], A: y[1], B: y[2]}, colorimetry.DefaultFactors)
}

func medianDE(sessions []*session, shift [3]float64) *float64 {
	var all []float64
	for _, s := range sessions {
		if _, y, ok := s.means(FirstOrder, SecondOrder); ok {
			all = append(all, de(y, [3]float64{y[0] + shift[0], y[1] + shift[1], y[2] + shift[2]}))
		}
	}
	if len(all) == 0 {
		return nil
	}
	slices.Sort(all)
	m := (all[(len(all)-1)/2] + all[len(all)/2]) / 2
	return &m
}

// repeatability is nil without a cell that was repeated by its whole route.
func repeatability(rows []Row) *Repeatability {
	type key struct {
		block, cell string
		arm         Arm
	}
	type repeat struct {
		key
		name string
	}
	sums := map[repeat]*[4]float64{}
	byID := slices.Clone(rows)
	slices.SortFunc(byID, func(a, b Row) int { return strings.Compare(a.ReadingID, b.ReadingID) })
	var order []repeat
	for _, r := range byID {
		if r.Repeat == "" || r.Block == "" {
			continue
		}
		k := repeat{key{r.Block, r.Cell, r.Arm}, r.Repeat}
		if sums[k] == nil {
			sums[k] = &[4]float64{}
			order = append(order, k)
		}
		for d, x := range [4]float64{r.Lab.L, r.Lab.A, r.Lab.B, 1} {
			sums[k][d] += x
		}
	}
	cells := map[key][][3]float64{}
	var keys []key
	for _, k := range order {
		if cells[k.key] == nil {
			keys = append(keys, k.key)
		}
		s := sums[k]
		cells[k.key] = append(cells[k.key], [3]float64{s[0] / s[3], s[1] / s[3], s[2] / s[3]})
	}
	out := &Repeatability{}
	repeated := 0.0
	for _, k := range keys {
		x := cells[k]
		n := float64(len(x))
		if n < 2 {
			continue
		}
		mean, s := meanAndCovariance(x)
		total := 0.0
		for _, v := range x {
			total += de(v, mean) / n
		}
		out.MCDM += total * math.Sqrt(n/(n-1))
		repeated++
		out.Repeats += len(x)
		out.DF += len(x) - 1
		for i := range 3 {
			for j := range 3 {
				out.Covariance[i][j] += (n - 1) * s[i][j]
			}
		}
	}
	if repeated == 0 {
		return nil
	}
	out.MCDM /= repeated
	for i := range 3 {
		for j := range 3 {
			out.Covariance[i][j] /= float64(out.DF)
		}
	}
	return out
}
