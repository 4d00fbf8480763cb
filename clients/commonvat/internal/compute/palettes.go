package compute

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	palettev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// Palettes says how to measure labelled colours.
type Palettes struct {
	Common
	Condition   *typesv1.ColourCondition
	Threshold   float64 // distinct shades from this CIEDE2000 difference on; 0: the module's default
	EqualNumber int32   // 0: chosen from the data; else leastEqualNumber or more
	Seed        uint64
	// Match lets the n-th row of a group in a block stand against the n-th of the other group, when there is no column "cell" to say so.
	Match bool
	// Closing is the planned number of sessions, for a verdict with p; 0: estimates without p.
	Closing int32
}

// Limits of a palette: all rows are kept until they are sent.
const (
	maxPaletteRows = 10_000_000
	chunkRows      = 4000
	maxCompared    = 12 // groups
	// leastEqualNumber is the least number of cells at which palettes are held against each other: of fewer a width says little.
	leastEqualNumber = 6
)

// labelled are the rows, as columns.
type labelled struct {
	groups, blocks, strata, cells labels
	group, block, stratum, cell   []uint32
	l, a, b                       []float64
	line                          []int
}

// labels numbers texts in the order in which they come.
type labels struct {
	names []string
	at    map[string]uint32
}

func (l *labels) of(name string) uint32 {
	if i, ok := l.at[name]; ok {
		return i
	}
	if l.at == nil {
		l.at = map[string]uint32{}
	}
	i := uint32(len(l.names))
	l.at[name] = i
	l.names = append(l.names, name)
	return i
}

// name is the label of a number that a module gives; one that isn't there is the module's mistake, and told as a number.
func (l *labels) name(i uint32) string {
	if int(i) >= len(l.names) {
		return fmt.Sprintf("(%d)", i)
	}
	return l.names[i]
}

// Run reads a table of colours with columns group, block, L, a, b, and cell and stratum when there are such, and writes a long table: a row a measure of
// each group, of each pair of groups, and the verdict on each pair. Block is a session; an empty one is not known. Rows that can't be read are told by
// says and left out; it tells how many they are.
//
// Without a column cell each row is a cell by itself.
func (p Palettes) Run(ctx context.Context, conn Conn, in io.Reader, out io.Writer, says func(string)) (bad int, err error) {
	if p.EqualNumber != 0 && p.EqualNumber < leastEqualNumber {
		return 0, fault("--equal-number", "is %d, want 0 (chosen from the data) or %d and more", p.EqualNumber, leastEqualNumber)
	}
	t, err := openTable(in, p.Common)
	if err != nil {
		return 0, err
	}
	var missing []string
	for _, c := range []string{"group", "block", "L", "a", "b"} {
		if !t.has(c) {
			missing = append(missing, c)
		}
	}
	if len(missing) > 0 {
		return 0, fault("header", "lacks %s, want columns group, block, L, a, b, and cell and stratum if known", strings.Join(missing, ", "))
	}
	rows, bad, err := p.read(t, says)
	if err != nil {
		return bad, err
	}
	if len(rows.l) == 0 {
		return bad, fault("table", "has no row that can be used")
	}
	var whole bytes.Buffer // a row a measure, however many colours; nothing is written before all of it is known
	w := csv.NewWriter(&whole)
	if err := w.Write(append([]string{"what", "group", "other", "stratum", "measure", "value", "low", "high", "note"}, provenanceColumns...)); err != nil {
		return bad, err
	}
	if err := p.widths(ctx, conn, rows, w); err != nil {
		return bad, err
	}
	if err := p.verdicts(ctx, conn, t, rows, w); err != nil {
		return bad, err
	}
	w.Flush()
	_, err = out.Write(whole.Bytes())
	return bad, err
}

// settings are those that both modules are asked with.
func (p Palettes) settings() []string {
	out := []string{"condition " + words.ShowCondition(p.Condition), fmt.Sprintf("seed %d", p.Seed)}
	if p.Threshold != 0 {
		out = append(out, "threshold "+output.Figure(p.Threshold, 10))
	}
	return out
}

func (p Palettes) read(t *table, says func(string)) (*labelled, int, error) {
	out := &labelled{}
	out.blocks.of("") // may only come first
	type place struct{ group, block, stratum uint32 }
	next := map[place]int{}
	bad, seen := 0, 0
	for {
		r, err := t.next()
		if errors.Is(err, io.EOF) {
			return out, bad, nil
		}
		if err != nil {
			return nil, bad, err
		}
		seen++
		p.Progress.tell(seen)
		var v [3]float64
		wrong := r.fault
		if wrong == "" {
			if err := t.numbers(r, []string{"L", "a", "b"}, v[:]); err != nil {
				wrong = err.Error()
			} else if err := (colorimetry.Lab{L: v[0], A: v[1], B: v[2]}).Validate(); err != nil {
				wrong = err.Error()
			} else if r.cells[t.at["group"]] == "" {
				wrong = "group is empty, want a name"
			}
		}
		cell := ""
		if i, ok := t.at["cell"]; ok && wrong == "" {
			if cell = r.cells[i]; cell == "" {
				wrong = "cell is empty, want a name"
			}
		}
		if wrong != "" {
			bad++
			says(fmt.Sprintf("line %d: %s", r.line, output.Clean(wrong)))
			continue
		}
		if len(out.l) == maxPaletteRows {
			return nil, bad, fault("table", "has more than %d rows", maxPaletteRows)
		}
		at := place{group: out.groups.of(r.cells[t.at["group"]]), block: out.blocks.of(r.cells[t.at["block"]])}
		stratum := ""
		if i, ok := t.at["stratum"]; ok {
			stratum = r.cells[i]
		}
		at.stratum = out.strata.of(stratum)
		if cell == "" {
			next[at]++
			cell = fmt.Sprintf("row %d", next[at])
		}
		out.group, out.block, out.stratum = append(out.group, at.group), append(out.block, at.block), append(out.stratum, at.stratum)
		out.cell = append(out.cell, out.cells.of(cell))
		out.l, out.a, out.b = append(out.l, v[0]), append(out.a, v[1]), append(out.b, v[2])
		out.line = append(out.line, r.line)
	}
}

// chunks gives the rows for which keep is true, as columns; relabel numbers their groups.
func (r *labelled) chunks(keep func(group uint32) (uint32, bool), send func(*columnsv1.ColourColumns) error) error {
	c := &columnsv1.ColourColumns{}
	flush := func() error {
		if len(c.ReadingId) == 0 {
			return nil
		}
		err := send(c)
		c = &columnsv1.ColourColumns{}
		return err
	}
	for i := range r.l {
		g, ok := keep(r.group[i])
		if !ok {
			continue
		}
		c.ReadingId = append(c.ReadingId, fmt.Sprintf("%010d", r.line[i]))
		c.Group, c.Block, c.Stratum, c.Cell = append(c.Group, g), append(c.Block, r.block[i]), append(c.Stratum, r.stratum[i]), append(c.Cell, r.cell[i])
		c.L, c.A, c.B = append(c.L, r.l[i]), append(c.A, r.a[i]), append(c.B, r.b[i])
		if len(c.ReadingId) == chunkRows {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	return flush()
}

func (r *labelled) labels(groups ...string) *columnsv1.Labels {
	return &columnsv1.Labels{Groups: groups, Blocks: r.blocks.names, Strata: r.strata.names, Cells: r.cells.names}
}

// lines writes rows of the long table.
type lines struct {
	w                           *csv.Writer
	by                          provenance
	what, group, other, stratum string
	err                         error
}

func (l *lines) add(measure string, value, low, high *float64, note string) {
	if l.err != nil {
		return
	}
	text := func(v *float64) string {
		if v == nil {
			return ""
		}
		return output.Figure(*v, 10)
	}
	l.err = l.w.Write(append([]string{l.what, output.Harmless(l.group), output.Harmless(l.other), output.Harmless(l.stratum), measure, text(value), text(low), text(high), output.Harmless(note)},
		l.by.cells()...))
}

func (l *lines) figure(measure string, v float64) { l.add(measure, &v, nil, nil, "") }

// optional writes a figure, or that there is none for want of something.
func (l *lines) optional(measure string, v *float64, want string) {
	if v == nil {
		l.add(measure, nil, nil, nil, "not computed: wants "+want)
		return
	}
	l.add(measure, v, nil, nil, "")
}

// widths measures the groups and writes what is known of each, and of every two.
func (p Palettes) widths(ctx context.Context, conn Conn, rows *labelled, w *csv.Writer) error {
	c, err := conn(ctx, sdk.KindPalette)
	if err != nil {
		return err
	}
	settings := p.settings()
	if p.EqualNumber != 0 {
		settings = append(settings, fmt.Sprintf("equal number %d", p.EqualNumber))
	}
	by, err := computedBy(ctx, c, p.Timeout, settings...)
	if err != nil {
		return err
	}
	got, err := p.measure(ctx, palettev1.NewPaletteServiceClient(c), rows)
	if err != nil {
		return err
	}
	for _, g := range got.GetGroups() {
		l := &lines{w: w, by: by, what: "group", group: rows.groups.name(g.GetGroup()), stratum: rows.strata.name(g.GetStratum())}
		if l.width(g, p.EqualNumber); l.err != nil {
			return l.err
		}
	}
	for _, g := range got.GetPairs() {
		l := &lines{w: w, by: by, what: "pair", group: rows.groups.name(g.GetGroupA()), other: rows.groups.name(g.GetGroupB())}
		if l.pair(g, len(rows.strata.names)); l.err != nil {
			return l.err
		}
	}
	return nil
}

// measure asks the module about all rows.
func (p Palettes) measure(ctx context.Context, client palettev1.PaletteServiceClient, rows *labelled) (*palettev1.MeasureWidthsResponse, error) {
	return within(ctx, p.Timeout, func(ctx context.Context) (*palettev1.MeasureWidthsResponse, error) {
		stream, err := client.MeasureWidths(ctx)
		if err != nil {
			return nil, err
		}
		header := &palettev1.WidthsHeader{Condition: p.Condition, Labels: rows.labels(rows.groups.names...), RowCount: int64(len(rows.l)),
			ThresholdDe00: p.Threshold, EqualNumber: p.EqualNumber, Seed: p.Seed}
		if err := stream.Send(&palettev1.MeasureWidthsRequest{Part: &palettev1.MeasureWidthsRequest_Header{Header: header}}); err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		err = rows.chunks(func(g uint32) (uint32, bool) { return g, true }, func(c *columnsv1.ColourColumns) error {
			return stream.Send(&palettev1.MeasureWidthsRequest{Part: &palettev1.MeasureWidthsRequest_Columns{Columns: c}})
		})
		if err != nil && !errors.Is(err, io.EOF) { // behind io.EOF the reason shows when receiving
			return nil, err
		}
		return stream.CloseAndRecv()
	})
}

// width writes what is known of a group.
func (l *lines) width(g *palettev1.GroupWidth, asked int32) {
	l.figure("readings", float64(g.GetReadings()))
	l.figure("cells", float64(g.GetCells()))
	l.figure("sessions", float64(g.GetBlocks()))
	for _, s := range g.GetShades() {
		name, low, high := fmt.Sprintf("shades at %s", output.Figure(s.GetThresholdDe00(), 10)), float64(s.GetAtLeast()), float64(s.GetAtMost())
		if low == high {
			l.add(name, &low, nil, nil, "exact")
		} else {
			l.add(name, nil, &low, &high, "bounds: the search budget was used up")
		}
	}
	note := "hull is " + strings.ToLower(strings.TrimPrefix(g.GetHullStatus().String(), "HULL_STATUS_"))
	if g.GetUnstable() {
		note += "; unstable: fewer than 8 cells"
	}
	volume := g.GetHullVolume()
	l.add("hull volume", &volume, nil, nil, note)
	l.figure("hull side", g.GetHullSide())
	l.figure("hull area", g.GetHullArea())
	l.figure("dispersion", g.GetDispersion())
	l.optional("mean pairwise difference", g.MeanPairwiseDe00, "2 cells")
	l.optional("least pairwise difference", g.MinPairwiseDe00, "2 cells")
	l.optional("largest hue gap", g.LargestHueGapDeg, "2 cells with C*ab of 5 or more")
	l.optional("effective hues", g.EffectiveHues, "2 cells with C*ab of 5 or more")
	l.figure("lightness range", g.GetLightnessRange())
	l.figure("chroma range", g.GetChromaRange())
	l.atEqualNumber(g, asked)
}

// atEqualNumber writes the widths at equal numbers, or how many cells are missing for them.
func (l *lines) atEqualNumber(g *palettev1.GroupWidth, asked int32) {
	if g.GetEqualNumber() < leastEqualNumber {
		note := "the module gives none"
		if want := max(leastEqualNumber, asked); g.GetCells() < want {
			note = fmt.Sprintf("not enough yet: has %d of the %d cells that are wanted", g.GetCells(), want)
		}
		l.add("shades at equal numbers", nil, nil, nil, note)
		return
	}
	for _, e := range []struct {
		name string
		e    *palettev1.Estimate
	}{{"shades", g.GetShadesAtEqualNumber()}, {"hull volume", g.GetHullVolumeAtEqualNumber()}, {"dispersion", g.GetDispersionAtEqualNumber()}} {
		if e.e == nil {
			continue
		}
		v := e.e.GetValue()
		note := ""
		if e.e.Low != nil {
			note = "interval is approximate"
		}
		l.add(fmt.Sprintf("%s at equal number %d", e.name, g.GetEqualNumber()), &v, e.e.Low, e.e.High, note)
	}
}

// pair writes what is known of two groups, in a table of so many strata.
func (l *lines) pair(g *palettev1.PairWidth, strata int) {
	note := ""
	switch {
	case !g.GetThin():
	case strata > 1:
		note = "thin: fewer than 3 strata or 6 cells"
	default:
		note = "thin: compared at fewer than 6 cells"
	}
	l.add("strata of both", new(float64(g.GetStrata())), nil, nil, note)
	l.optional("mean log dispersion ratio", g.MeanLogDispersionRatio, "a stratum with 2 cells of both, not all of one colour")
	l.optional("mean shade difference", g.MeanShadeDifference, "a stratum with 2 cells of both")
	if g.GetGainNotCounted() {
		const why = "not counted: so many groups and cells"
		l.add("shades that group adds", nil, nil, nil, why)
		l.add("shades that other adds", nil, nil, nil, why)
		return
	}
	l.figure("shades that group adds", float64(g.GetGainA()))
	l.figure("shades that other adds", float64(g.GetGainB()))
}

// verdicts asks of each pair of groups which is wider.
func (p Palettes) verdicts(ctx context.Context, conn Conn, t *table, rows *labelled, w *csv.Writer) error {
	n := len(rows.groups.names)
	if n < 2 {
		return nil
	}
	none := func(why string) error {
		l := &lines{w: w, what: "verdict"}
		l.add("verdict", nil, nil, nil, why)
		return l.err
	}
	if !t.has("cell") && !p.Match {
		return none("not asked: without a column cell nothing says which pieces of two groups match (--match-by-position takes them in their order)")
	}
	if n > maxCompared {
		return none(fmt.Sprintf("not asked: %d groups; pairs are compared up to %d", n, maxCompared))
	}
	c, err := conn(ctx, sdk.KindCompare)
	if err != nil {
		return err
	}
	settings := p.settings()
	if p.Closing != 0 {
		settings = append(settings, fmt.Sprintf("closing sessions %d", p.Closing))
	}
	if !t.has("cell") {
		settings = append(settings, "matched by position")
	}
	by, err := computedBy(ctx, c, p.Timeout, settings...)
	if err != nil {
		return err
	}
	client := comparev1.NewCompareServiceClient(c)
	for i, first := range rows.groups.names {
		for k := i + 1; k < n; k++ {
			second := rows.groups.names[k]
			keep := func(g uint32) (uint32, bool) {
				switch int(g) {
				case i:
					return 0, true
				case k:
					return 1, true
				}
				return 0, false
			}
			count := 0
			for _, g := range rows.group {
				if _, ok := keep(g); ok {
					count++
				}
			}
			got, err := within(ctx, p.Timeout, func(ctx context.Context) (*comparev1.CompareOrdersResponse, error) {
				stream, err := client.CompareOrders(ctx)
				if err != nil {
					return nil, err
				}
				header := &comparev1.CompareHeader{Condition: p.Condition, Labels: rows.labels(first, second), RowCount: int64(count), ThresholdDe00: p.Threshold,
					ClosingSessions: p.Closing, Comparisons: int32(n * (n - 1) / 2), Seed: p.Seed}
				if err := stream.Send(&comparev1.CompareOrdersRequest{Part: &comparev1.CompareOrdersRequest_Header{Header: header}}); err != nil && !errors.Is(err, io.EOF) {
					return nil, err
				}
				err = rows.chunks(keep, func(c *columnsv1.ColourColumns) error {
					return stream.Send(&comparev1.CompareOrdersRequest{Part: &comparev1.CompareOrdersRequest_Columns{Columns: c}})
				})
				if err != nil && !errors.Is(err, io.EOF) {
					return nil, err
				}
				return stream.CloseAndRecv()
			})
			if err != nil {
				return err
			}
			if err := writeVerdict(&lines{w: w, by: by, what: "verdict", group: first, other: second}, n*(n-1)/2, got); err != nil {
				return err
			}
		}
	}
	return nil
}

func writeVerdict(l *lines, comparisons int, got *comparev1.CompareOrdersResponse) error {
	verdict := strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(got.GetVerdict().String(), "VERDICT_"), "_", " "))
	note := verdict
	switch s := got.GetStatement(); {
	case strings.HasPrefix(s, verdict):
		note = s
	case s != "":
		note += ": " + s
	}
	l.add("verdict", nil, nil, nil, note)
	for _, m := range got.GetMissing() {
		n := float64(m.GetCount())
		l.add("missing "+m.GetWhat(), &n, nil, nil, m.GetText())
	}
	l.figure("complete sessions", float64(got.GetCompleteSessions()))
	l.figure("sessions used", float64(got.GetUsedSessions()))
	l.figure("matched cells", float64(got.GetMatchedCells()))
	if n := len(got.GetUnmatched()); n > 0 {
		l.add("unmatched cells", new(float64(n)), nil, nil, "left out: "+strings.Join(slices.Clone(got.GetUnmatched())[:min(n, 10)], "; "))
	}
	l.figure("dispersion of group", got.GetDispersionFirst())
	l.figure("dispersion of other", got.GetDispersionSecond())
	if got.LogRatio != nil {
		ratio := math.Exp(got.GetLogRatio())
		l.add("ratio of dispersions", &ratio, nil, nil, "")
	}
	if got.P != nil {
		l.add("p", got.P, nil, nil, fmt.Sprintf("%d arrangements", got.GetArrangements()))
	}
	if got.PAdjusted != nil {
		l.add("p adjusted", got.PAdjusted, nil, nil, fmt.Sprintf("for the number of pairs compared together: %d", comparisons))
	}
	return l.err
}
