package cli

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/compute"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/spf13/cobra"
)

func (a *app) palette() *cobra.Command {
	var by, condition, part string
	var all bool
	req := &poolv1.AskPaletteRequest{}
	c := &cobra.Command{
		Use: "palette --by order|water|fibre|mordant|exhaust", Short: "Ask how wide the palette of each order, water, fibre, ... is",
		Long: `Ask how wide the palette of each order, water, fibre, mordant or exhaust bath is.

Only an experiment at its closing size gets a verdict with p: --experiment ID asks for it, by what the experiment asks. Any other
answer is exploratory: estimates, no p. --output csv writes one part of the answer (--part).`,
		Args: takes(),
		RunE: func(c *cobra.Command, _ []string) error {
			var err error
			if by != "" || req.GetExperimentId() == "" {
				if req.GroupBy, err = words.Parse[poolv1.GroupBy](by); err != nil {
					return usage("--by: %v", err)
				}
			}
			if condition != "" {
				if req.Condition, err = words.Condition(condition); err != nil {
					return usage("--condition: %v", err)
				}
			}
			if !slices.ContainsFunc(paletteParts, func(p partOfAnswer) bool { return p.name == part }) {
				return usage("--part: %q is not known; allowed: %s", part, partNames())
			}
			conn, err := a.dial(c.Context())
			if err != nil {
				return err
			}
			if by == "" {
				e, err := a.experimentKeeper().get(c.Context(), req.GetExperimentId())
				if err != nil {
					return err
				}
				req.GroupBy = askedBy(e)
			}
			got, err := ask(c, a, poolv1.NewPoolServiceClient(conn).AskPalette, req)
			if err != nil {
				return err
			}
			switch output.Format(a.format) {
			case output.JSON:
				return output.WriteJSON(a.Out, got)
			case output.CSV:
				return a.palettePart(got, part)
			}
			return a.paletteTable(c.Context(), got, all)
		},
	}
	f := c.Flags()
	f.StringVar(&by, "by", "", "what palettes are told apart by (required without --experiment)")
	f.StringVar(&req.Filter, "where", "", "filter, for example: fibre = \"wool\" AND dye = \"weld\"")
	f.StringVar(&req.ExperimentId, "experiment", "", "id of the experiment whose verdict is asked for")
	f.StringVar(&condition, "condition", "", "D65/10, D65/2, A/10 or A/2 (default: the experiment's, or D65/10)")
	f.Float64Var(&req.ThresholdDe00, "threshold", 0, "how different two shades must be to count as two, CIEDE2000 (default 5)")
	f.Int32Var(&req.EqualNumber, "equal-number", 0, "number of cells at which groups are compared, 6 or more (default: chosen from the data)")
	f.Int64Var(&req.MinimumRevision, "revision", 0, "the answer takes in at least this revision of the record")
	f.Uint64Var(&req.Seed, "seed", 1, "seed of the random draws")
	f.BoolVar(&all, "all", false, "in the tables, show everything when there is much: groups of a single or few cells, pairs that are thin or hardly differ, cells of an order effect")
	f.StringVar(&part, "part", "groups", "with --output csv: "+partNames())
	return c
}

// askedBy is what palettes are told apart by in an experiment.
func askedBy(e *labv1.Experiment) poolv1.GroupBy {
	switch e.GetAsks() {
	case labv1.ExperimentAsks_EXPERIMENT_ASKS_WATERS:
		return poolv1.GroupBy_GROUP_BY_WATER
	case labv1.ExperimentAsks_EXPERIMENT_ASKS_FIBRES:
		return poolv1.GroupBy_GROUP_BY_FIBRE
	case labv1.ExperimentAsks_EXPERIMENT_ASKS_MORDANTS:
		return poolv1.GroupBy_GROUP_BY_MORDANT
	case labv1.ExperimentAsks_EXPERIMENT_ASKS_EXHAUST_BATHS:
		return poolv1.GroupBy_GROUP_BY_EXHAUST
	}
	return poolv1.GroupBy_GROUP_BY_ORDER
}

func maybe[T any](p *T) any {
	if p == nil {
		return nil
	}
	return *p
}

func groupGrid(r *poolv1.AskPaletteResponse) output.Grid {
	g := output.Grid{Title: "palettes", Columns: []string{"group", "stratum", "pieces", "cells", "sessions", "shades_at_least", "shades_at_most", "equal_number",
		"shades_at_equal_number", "shades_low", "shades_high", "hull_side", "dispersion", "largest_hue_gap_deg", "unstable", "missing"}}
	for _, x := range r.GetGroups() {
		g.Add(x.GetGroup(), x.GetStratum(), x.GetPieces(), x.GetCells(), x.GetSessions(), x.GetShadesAtLeast(), x.GetShadesAtMost(), x.GetEqualNumber(),
			maybe(x.ShadesAtEqualNumber), maybe(x.ShadesLow), maybe(x.ShadesHigh), x.GetHullSide(), x.GetDispersion(), maybe(x.LargestHueGapDeg), x.GetUnstable(), x.GetMissing())
	}
	return g
}

func pairGrid(r *poolv1.AskPaletteResponse) output.Grid {
	g := output.Grid{Title: "compared like with like", Columns: []string{"first", "second", "standing", "wider", "strata", "cells_first", "cells_second", "sessions",
		"width_ratio", "shade_difference", "p", "p_adjusted", "thin", "missing", "statement", "outlook"}}
	for _, x := range r.GetPairs() {
		g.Add(x.GetFirst(), x.GetSecond(), words.Show(x.GetStanding()), x.GetWider(), x.GetStrata(), x.GetCellsFirst(), x.GetCellsSecond(), x.GetSessions(),
			maybe(x.WidthRatio), maybe(x.ShadeDifference), maybe(x.P), maybe(x.PAdjusted), x.GetThin(), strings.Join(x.GetMissing(), "; "), x.GetStatement(), x.GetOutlook())
	}
	return g
}

func leftOutGrid(r *poolv1.AskPaletteResponse) output.Grid {
	g := output.Grid{Title: "left out", Columns: []string{"count", "of", "reason"}}
	for _, x := range r.GetLeftOut() {
		g.Add(x.GetCount(), x.GetUnit(), x.GetReason())
	}
	return g
}

// scoreGrid is what other methods say of the same pieces, a figure a row.
func scoreGrid(r *poolv1.AskPaletteResponse) output.Grid {
	g := output.Grid{Title: "by other methods", Columns: []string{"module", "version", "score", "unit", "wider_is", "group", "stratum", "value", "not_computed"}}
	for _, m := range r.GetScores() {
		for _, group := range m.GetGroups() {
			for k, f := range group.GetFigures() {
				if k >= len(m.GetDescribed()) {
					break
				}
				d := m.GetDescribed()[k]
				wider := "lower"
				if d.GetHigherIsWider() {
					wider = "higher"
				}
				g.Add(m.GetModule().GetName(), m.GetModule().GetVersion(), d.GetName(), d.GetUnit(), wider, group.GetGroup(), group.GetStratum(), maybe(f.Value), f.GetNotComputed())
			}
		}
	}
	return g
}

func (a *app) palettePart(r *poolv1.AskPaletteResponse, part string) error {
	i := slices.IndexFunc(paletteParts, func(p partOfAnswer) bool { return p.name == part })
	a.say("%s (%s)", output.Clean(r.GetHeadline()), words.Show(r.GetStanding()))
	for _, t := range r.GetCannotTell() {
		a.say("can't tell: %s", output.Clean(t))
	}
	return output.WriteCSV(a.Out, paletteParts[i].of(r))
}

// paletteTable writes the answer to be read: the headline first, and all that it stands on below.
func (a *app) paletteTable(ctx context.Context, r *poolv1.AskPaletteResponse, all bool) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\nstanding: %s\n\n", output.Clean(r.GetHeadline()), words.Show(r.GetStanding()))
	if err := writeGroups(&b, r.GetGroups(), all); err != nil {
		return err
	}
	if err := writePairs(&b, r, all); err != nil {
		return err
	}
	for _, write := range []func() error{
		func() error { return writeEffects(&b, r, all) },
		func() error { return writeJudgements(&b, r) },
		func() error { return writeApart(&b, r.GetApart(), all) },
		func() error { return writeWaters(&b, r.GetWaters()) },
		func() error { return writeScores(&b, r, all) },
	} {
		if err := write(); err != nil {
			return err
		}
	}
	writeMissing(&b, r.GetLeftOut(), "what the data can't tell", r.GetCannotTell())
	b.WriteString("\n")
	if q := r.GetQuestion(); q != nil { // an older core doesn't tell it
		fmt.Fprintf(&b, "asked %s\n", output.Clean(asked(q)))
	}
	fmt.Fprintf(&b, "computed from %s of %s under %s; %s; seed %d; pool revision %d\n", counted(r.GetReadingsUsed(), "readings"), counted(r.GetPiecesUsed(), "pieces"), words.ShowCondition(r.GetCondition()), parameters(r), r.GetSeed(), r.GetPoolRevision())
	for _, t := range r.GetTests() {
		of := "all"
		if !t.GetExact() {
			of = "chance drew"
		}
		fmt.Fprintf(&b, "tested %s: %s %d arrangements of whole sessions\n", output.Clean(t.GetWhat()), of, t.GetArrangements())
	}
	b.WriteString(provenance(r.GetModules()))
	if _, err := io.WriteString(a.Out, b.String()); err != nil {
		return err
	}
	a.noteInvented(a.poolHasInvented(ctx))
	return nil
}

// asked is which pieces a question was about, and by what they are told apart.
func asked(q *poolv1.AskPaletteRequest) string {
	text := "by " + words.Show(q.GetGroupBy())
	switch {
	case q.GetExperimentId() != "":
		text += ", of experiment " + q.GetExperimentId()
	case q.GetFilter() != "":
		text += ", where " + q.GetFilter()
	default:
		text += ", of all that is shared"
	}
	if n := q.GetEqualNumber(); n > 0 {
		text += fmt.Sprintf(", at %d cells of each group", n)
	}
	return text
}

// parameters are what an answer was made with beside its condition, its seed and its modules.
func parameters(r *poolv1.AskPaletteResponse) string {
	text := fmt.Sprintf("shades differ by at least %s (CIEDE2000)", output.Figure(r.GetThresholdDe00(), 5))
	if r.GetMarginRatio() > 0 {
		text += fmt.Sprintf("; wider from a ratio of %s on", output.Figure(r.GetMarginRatio(), 5))
	}
	if r.GetAlpha() > 0 {
		text += fmt.Sprintf("; tests at a level of %s", output.Figure(r.GetAlpha(), 5))
	}
	return text
}

// counted is a number with its unit, which the interface tells in the plural.
func counted[N int | int32](n N, units string) string {
	if n == 1 {
		units = strings.TrimSuffix(units, "s")
	}
	return fmt.Sprintf("%d %s", n, units)
}

// figure is a figure in three digits, and empty where there is none.
func figure(v *float64) output.Measure {
	if v == nil {
		return ""
	}
	return output.Measure(output.Figure(*v, 3))
}

func provenance(modules []*typesv1.ModuleIdentity) string {
	var b strings.Builder
	for _, m := range modules {
		digest := m.GetDigest()
		if len(digest) > 12 {
			digest = digest[:12]
		}
		fmt.Fprintf(&b, "by %s %s %s (sha-256 %s)\n", output.Clean(m.GetKind()), output.Clean(m.GetName()), output.Clean(m.GetVersion()), output.Clean(digest))
	}
	return b.String()
}

// poolHasInvented looks whether trials that the caller may read say of themselves that they are
// invented. It is for a remark alone: if it can't be found out, nothing is said.
func (a *app) poolHasInvented(ctx context.Context) bool {
	client, err := a.trials(ctx)
	if err != nil {
		return false
	}
	page, err := call(ctx, a, client.ListTrials, &labv1.ListTrialsRequest{PageSize: 200})
	if err != nil {
		return false
	}
	for _, t := range page.GetTrials() {
		if isInvented(t.GetTitle()) {
			return true
		}
	}
	return false
}

func (a *app) status() *cobra.Command {
	var checksum bool
	c := &cobra.Command{Use: "status", Short: "Show how far the pool has come with the record", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		conn, err := a.dial(c.Context())
		if err != nil {
			return err
		}
		r, err := call(c.Context(), a, poolv1.NewPoolServiceClient(conn).GetPoolStatus, &poolv1.GetPoolStatusRequest{WithChecksum: checksum})
		if err != nil {
			return err
		}
		g := output.Grid{Columns: []string{"pool_revision", "record_revision", "rows", "waiting_for", "rows_sha256"}}
		g.Add(r.GetPoolRevision(), r.GetRecordRevision(), r.GetRows(), r.GetWaitingFor(), r.GetRowsSha256())
		return a.show(r, g)
	}}
	c.Flags().BoolVar(&checksum, "checksum", false, "show a checksum over all rows too: pools of the same shared records have the same one")
	return c
}

func (a *app) difference() *cobra.Command {
	var formula, condition string
	c := &cobra.Command{
		Use: "difference REFERENCE SAMPLE", Short: "Show the colour difference between two pieces, by id or code",
		Args: takes("REFERENCE", "SAMPLE"), RunE: func(c *cobra.Command, args []string) error {
			w, err := compute.ParseFormula(formula)
			if err != nil {
				return usage("--formula: %v", err)
			}
			req := &poolv1.ComparePiecesRequest{ReferencePiece: args[0], SamplePiece: args[1], Formula: w.Formula, KL: w.KL, KC: w.KC, KH: w.KH}
			if condition != "" {
				if req.Condition, err = words.Condition(condition); err != nil {
					return usage("--condition: %v", err)
				}
			}
			conn, err := a.dial(c.Context())
			if err != nil {
				return err
			}
			r, err := call(c.Context(), a, poolv1.NewPoolServiceClient(conn).ComparePieces, req)
			if err != nil {
				return err
			}
			if output.Format(a.format) == output.Table {
				_, err := io.WriteString(a.Out, differenceText(r, args[0], args[1]))
				return err
			}
			g := output.Grid{Columns: []string{"reference", "sample", "formula", "difference", "reference_l", "reference_a", "reference_b", "sample_l", "sample_a", "sample_b", "condition",
				"reference_reading_id", "sample_reading_id", "pool_revision"}}
			x, y := r.GetReference(), r.GetSample()
			g.Add(args[0], args[1], r.GetFormula(), r.GetDifference(), x.GetL(), x.GetA(), x.GetB(), y.GetL(), y.GetA(), y.GetB(), words.ShowCondition(r.GetCondition()),
				r.GetReferenceReading().GetReadingId(), r.GetSampleReading().GetReadingId(), r.GetPoolRevision())
			return a.show(r, g)
		},
	}
	c.Flags().StringVar(&formula, "formula", "ciede2000", "ciede2000, cie76, cie94_textile, cie94_graphic_arts or cmc, with its factors kL:kC:kH behind it if any, such as cmc:2:1")
	c.Flags().StringVar(&condition, "condition", "", "D65/10, D65/2, A/10 or A/2 (default D65/10)")
	return c
}

// differenceText writes a difference to be read, and all that it stands on below.
func differenceText(r *poolv1.ComparePiecesResponse, reference, sample string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s\nreference %s: %s\nsample %s: %s\ncondition: %s\n", output.Clean(r.GetFormula()), output.Figure(r.GetDifference(), 4),
		output.Clean(reference), showLab(r.GetReference()), output.Clean(sample), showLab(r.GetSample()), words.ShowCondition(r.GetCondition()))
	for _, remark := range r.GetRemarks() {
		fmt.Fprintf(&b, "mind: %s\n", output.Clean(remark))
	}
	writeMissing(&b, r.GetLeftOut(), "", nil)
	fmt.Fprintf(&b, "\ncomputed from reading %s of the reference and reading %s of the sample; %s; pool revision %d\n%s", output.Clean(r.GetReferenceReading().GetReadingId()),
		output.Clean(r.GetSampleReading().GetReadingId()), chance(r.GetNothingDrawn()), r.GetPoolRevision(), provenance(r.GetModules()))
	return b.String()
}

// chance says of an answer without a seed why it has none.
func chance(nothingDrawn bool) string {
	if nothingDrawn {
		return "no seed, as nothing is drawn"
	}
	return "the core doesn't tell whether anything was drawn"
}

// writeMissing tells what was left out of an answer, and under a heading what it can't tell.
func writeMissing(b *strings.Builder, left []*poolv1.LeftOut, heading string, cannotTell []string) {
	if len(left) > 0 {
		b.WriteString("\nleft out\n")
	}
	for _, x := range left {
		fmt.Fprintf(b, "  %s: %s\n", counted(x.GetCount(), output.Clean(x.GetUnit())), output.Clean(x.GetReason()))
	}
	if len(cannotTell) > 0 {
		b.WriteString("\n" + heading + "\n")
	}
	for _, x := range cannotTell {
		fmt.Fprintf(b, "  %s\n", output.Clean(x))
	}
}
