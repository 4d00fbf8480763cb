package cli

import (
	"cmp"
	"fmt"
	"io"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/spf13/cobra"
)

func (a *app) predict() *cobra.Command {
	var lab, spectrum, condition, part string
	var percent bool
	req := &poolv1.PredictOverdyeRequest{}
	c := &cobra.Command{
		Use: "predict [PIECE] --second DYE", Short: "Ask what a second bath would do to a first colour",
		Long: `Ask what a second bath would do to a first colour.

The first colour is a PIECE with one dye on it, by id or code; or, without a piece, --lab or --spectrum with --first, --fibre and
--mordant. The answer stands on the shared trials of the same two dyes on the same fibre and mordant, and is given only where it is better
than simple rules. --output csv writes one part of the answer (--part answer, trials, rules, readings or left-out).`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 1 {
				return usage("%s: arguments wanted: 1 at most, given: %d; usage: %s; see: %s --help", c.CommandPath(), len(args), c.UseLine(), c.CommandPath())
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			var err error
			if req.SecondDye == "" {
				return usage("--second is required: the dye of the second bath")
			}
			if condition != "" {
				if req.Condition, err = words.Condition(condition); err != nil {
					return usage("--condition: %v", err)
				}
			}
			switch {
			case len(args) == 1 && (lab != "" || spectrum != ""):
				return usage("give a piece, or --lab, or --spectrum, and no more than one of them")
			case len(args) == 1:
				req.FirstPiece = args[0]
			case (lab == "") == (spectrum == ""):
				return usage("give a piece, or either --lab or --spectrum with --first and --fibre")
			case lab != "":
				req.FirstColour, err = labOf(lab, cmp.Or(condition, "D65/10"))
			default:
				req.FirstColour, err = a.spectrumOf(spectrum, percent)
			}
			if err != nil {
				return err
			}
			conn, err := a.dial(c.Context())
			if err != nil {
				return err
			}
			got, err := ask(c, a, poolv1.NewPoolServiceClient(conn).PredictOverdye, req)
			if err != nil {
				return err
			}
			switch output.Format(a.format) {
			case output.JSON:
				return output.WriteJSON(a.Out, got)
			case output.CSV:
				return a.predictionPart(got, part)
			}
			if err := a.predictionTable(got); err != nil {
				return err
			}
			a.noteInvented(a.poolHasInvented(c.Context()))
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&req.SecondDye, "second", "", "dye of the second bath (required)")
	f.StringVar(&req.SecondDepth, "depth", "", "depth of the second bath: pale, medium or deep (default: that of which there are most trials)")
	f.StringVar(&req.SecondPiece, "second-piece", "", "a piece of the second dye alone, best from the very bath (default: the newest shared)")
	f.StringVar(&req.SubstratePiece, "undyed-piece", "", "an undyed piece of the same yarn (default: a shared one)")
	f.BoolVar(&req.AskOrder, "order", false, "also ask what the other order would give")
	f.Float64Var(&req.RadiusShare, "share", 0, "part of pieces that the radius is to hold, 0.5 to 0.99 (default 0.9)")
	f.StringVar(&condition, "condition", "", "D65/10, D65/2, A/10 or A/2 (default D65/10)")
	f.StringVar(&lab, "lab", "", "without a piece: L*,a*,b* of the first colour, for example 72.3,-4.1,48.9")
	f.StringVar(&spectrum, "spectrum", "", "without a piece: CSV file with wavelength in nm and reflectance in each line (- is standard input)")
	f.BoolVar(&percent, "percent", false, "the spectrum is in percent, not in factors")
	f.StringVar(&req.FirstDye, "first", "", "without a piece: the first dye")
	f.StringVar(&req.Fibre, "fibre", "", "without a piece: the fibre")
	f.StringVar(&req.Mordant, "mordant", "", "without a piece: the mordant with its place, such as \"alum first\", or none")
	f.Int64Var(&req.MinimumRevision, "revision", 0, "the answer takes in at least this revision of the record")
	f.StringVar(&part, "part", "answer", "with --output csv: answer, trials, rules, readings or left-out")
	return c
}

func (a *app) predictionPart(r *poolv1.PredictOverdyeResponse, part string) error {
	grids := map[string]output.Grid{}
	answer := output.Grid{Columns: []string{"standing", "first_dye", "second_dye", "fibre", "mordant", "bath", "l", "a", "b", "condition", "radius_de00", "radius_share", "error_de00", "retention",
		"uptake", "trials", "from_colour_only", "order_answered", "reversed_l", "reversed_a", "reversed_b", "order_difference_de00", "order_told_apart", "any_bath_radius_de00"}}
	row := []any{words.Show(r.GetStanding()), r.GetFirstDye(), r.GetSecondDye(), r.GetFibre(), r.GetMordant(), r.GetBath()}
	row = append(append(row, coordinates(r.GetColour())...), words.ShowCondition(r.GetCondition()), maybe(r.RadiusDe00), r.GetRadiusShare(), maybe(r.ErrorDe00), maybe(r.Retention), maybe(r.Uptake),
		len(r.GetTrials()), r.GetFromColourOnly())
	if o := r.GetOrder(); o.GetAnswered() {
		row = append(append(append(row, true), coordinates(o.GetReversedColour())...), o.GetDifferenceDe00(), o.GetToldApart())
	} else {
		row = append(row, o.GetAnswered(), nil, nil, nil, nil, nil)
	}
	answer.Add(append(row, maybe(r.AnyBathRadiusDe00))...)
	trials := output.Grid{Columns: []string{"session_id", "pieces", "error_de00"}}
	for _, t := range r.GetTrials() {
		trials.Add(t.GetSessionId(), strings.Join(t.GetPieceIds(), " "), maybe(t.ErrorDe00))
	}
	rules := output.Grid{Columns: []string{"rule", "error_de00"}}
	for _, x := range r.GetRules() {
		rules.Add(x.GetRule(), x.GetErrorDe00())
	}
	left := output.Grid{Columns: []string{"count", "of", "reason"}}
	for _, x := range r.GetLeftOut() {
		left.Add(x.GetCount(), x.GetUnit(), x.GetReason())
	}
	readings := output.Grid{Columns: []string{"reading_id", "piece_id"}}
	for _, x := range r.GetReadings() {
		readings.Add(x.GetReadingId(), x.GetPieceId())
	}
	grids["answer"], grids["trials"], grids["rules"], grids["readings"], grids["left-out"] = answer, trials, rules, readings, left
	g, ok := grids[part]
	if !ok {
		return usage("--part: %q is not known; allowed: answer, trials, rules, readings, left-out", part)
	}
	a.say("%s (%s)", output.Clean(r.GetHeadline()), words.Show(r.GetStanding()))
	for _, t := range r.GetCannotTell() {
		a.say("mind: %s", output.Clean(t))
	}
	return output.WriteCSV(a.Out, g)
}

func coordinates(l *typesv1.Lab) []any {
	if l == nil {
		return []any{nil, nil, nil}
	}
	return []any{l.GetL(), l.GetA(), l.GetB()}
}

// predictionTable writes the answer to be read: the headline first, and all that it stands on below.
func (a *app) predictionTable(r *poolv1.PredictOverdyeResponse) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\nstanding: %s\n", output.Clean(r.GetHeadline()), words.Show(r.GetStanding()))
	if l := r.GetColour(); l != nil {
		fmt.Fprintf(&b, "colour: L* %.1f a* %.1f b* %.1f (%s)\n", l.GetL(), l.GetA(), l.GetB(), words.ShowCondition(r.GetCondition()))
	}
	fmt.Fprintf(&b, "of %s, then %s, on %s; mordant: %s; second bath: %s\n", output.Clean(r.GetFirstDye()), output.Clean(r.GetSecondDye()), output.Clean(r.GetFibre()),
		output.Clean(r.GetMordant()), output.Clean(r.GetBath()))
	if r.Retention != nil && r.Uptake != nil {
		fmt.Fprintf(&b, "the second bath leaves %.0f %% of the first colour's strength, and gives %.0f %% of its own beside it\n", 100*r.GetRetention(), 100*r.GetUptake())
	}
	for _, m := range r.GetMissing() {
		fmt.Fprintf(&b, "missing: %s\n", output.Clean(m))
	}
	if o := r.GetOrder(); o != nil {
		writeOrder(&b, r, o)
	}
	if len(r.GetRules()) > 0 {
		b.WriteString("\n")
		grid := output.Grid{Title: "error over the trials (mean CIEDE2000)", Columns: []string{"way", "error"}}
		if r.ErrorDe00 != nil {
			grid.Add("the model, each trial left out in turn", output.Measure(fmt.Sprintf("%.2f", r.GetErrorDe00())))
		}
		for _, x := range r.GetRules() {
			grid.Add("rule: "+strings.ReplaceAll(x.GetRule(), "_", " "), output.Measure(fmt.Sprintf("%.2f", x.GetErrorDe00())))
		}
		if err := output.WriteTable(&b, grid); err != nil {
			return err
		}
	}
	writeMissing(&b, r.GetLeftOut(), "mind", r.GetCannotTell())
	trials, radius := "without a trial", "no radius, which was to hold"
	if n := len(r.GetTrials()); n > 0 {
		trials = fmt.Sprintf("those of %s among them", counted(n, "trials"))
	}
	switch {
	case r.AnyBathRadiusDe00 != nil:
		radius = "radii for"
	case r.RadiusDe00 != nil:
		radius = "a radius for"
	}
	fmt.Fprintf(&b, "\ncomputed from %s, %s, under %s; second dye alone: piece %s; undyed: piece %s; %s %.0f %% of pieces; %s; pool revision %d\n",
		counted(len(r.GetReadings()), "readings"), trials, words.ShowCondition(r.GetCondition()),
		output.Clean(r.GetSecondPieceId()), output.Clean(r.GetSubstratePieceId()), radius, 100*r.GetRadiusShare(), chance(r.GetNothingDrawn()), r.GetPoolRevision())
	b.WriteString(provenance(r.GetModules()))
	_, err := io.WriteString(a.Out, b.String())
	return err
}

func writeOrder(b *strings.Builder, r *poolv1.PredictOverdyeResponse, o *poolv1.OrderPredicted) {
	if !o.GetAnswered() {
		fmt.Fprintf(b, "the other order: %s\n", output.Clean(o.GetWhyNot()))
		return
	}
	verdict := "the two can't be told apart with the trials there are"
	if o.GetToldApart() {
		verdict = "more than both radii together"
	}
	fmt.Fprintf(b, "the other order, %s then %s: %s; CIEDE2000 %.1f from this one: %s\n", output.Clean(r.GetSecondDye()), output.Clean(r.GetFirstDye()), showLab(o.GetReversedColour()), o.GetDifferenceDe00(), verdict)
}
