package cli

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	"github.com/commonvat/commonvat/clients/internal/sheet"
	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	"github.com/spf13/cobra"
)

// newSize is what a trial is carried to.
type newSize struct {
	fibre, piece string
	ratio        float64
}

func (n *newSize) flags(c *cobra.Command) {
	c.Flags().StringVar(&n.fibre, "fibre", "", "mass of all the fibre at the new size, with its unit, such as 3kg")
	c.Flags().Float64Var(&n.ratio, "liquor-ratio", 0, "millilitres for each gram of fibre in every bath (default: each as it was)")
}

func massInGrams(flag, text string) (float64, error) {
	a, err := quantity.Amount(text, quantity.Mass, "")
	if err != nil {
		return 0, usage("%s: %v", flag, err)
	}
	if a.Value == nil {
		return 0, usage("%s: %q can be recorded and not be scaled: a figure is wanted", flag, text)
	}
	return a.GetValue(), nil
}

func (n *newSize) request() (q *benchv1.RescaleTrialRequest, err error) {
	if n.fibre == "" {
		return nil, usage("--fibre is required: the mass of all the fibre at the new size, such as 3kg")
	}
	q = &benchv1.RescaleTrialRequest{LiquorRatio: n.ratio}
	if q.FibreG, err = massInGrams("--fibre", n.fibre); err != nil {
		return nil, err
	}
	if n.piece != "" {
		q.PieceG, err = massInGrams("--piece", n.piece)
	}
	return q, err
}

// withhold takes the amounts out of baths that aren't released on the sheet at the new size, with the answers about health in it.
func withhold(r *benchv1.RescaleTrialResponse, now *benchv1.Sheet) {
	if now == nil {
		return
	}
	for _, one := range r.GetBaths() {
		at := slices.IndexFunc(now.GetBaths(), func(b *benchv1.SheetBath) bool { return b.GetName() == one.GetName() })
		if at >= 0 && now.GetBaths()[at].GetStanding() == benchv1.Standing_STANDING_RELEASED {
			continue
		}
		for _, f := range one.GetAmounts() {
			f.From, f.To = nil, nil
		}
		one.Remarks = append(one.Remarks, "its amounts are withheld until it is released: see its sheet")
	}
}

func rescaledGrids(r *benchv1.RescaleTrialResponse) []output.Grid {
	g := output.Grid{
		Title:   fmt.Sprintf("From %s g of fibre to %s g.", output.Figure(r.GetFromFibreG(), 5), output.Figure(r.GetToFibreG(), 5)),
		Columns: []string{"bath", "what", "unit", "from", "to", "goes_by", "remark"},
	}
	optional := func(v *float64) any {
		if v == nil {
			return nil
		}
		return *v
	}
	notes := output.Grid{Columns: []string{"bath", "stays_or_changes"}}
	for _, one := range r.GetBaths() {
		if one.GetFromFibreG() > 0 {
			g.Add(one.GetName(), "fibre", "g", one.GetFromFibreG(), one.GetToFibreG(), "mass", "")
		}
		if one.FromVolumeL != nil {
			g.Add(one.GetName(), "volume", "L", one.GetFromVolumeL(), optional(one.ToVolumeL), "", "")
		}
		for _, f := range one.GetAmounts() {
			g.Add(one.GetName(), f.GetName(), f.GetUnit(), optional(f.From), optional(f.To), strings.TrimPrefix(words.Show(f.GetGrowth()), "by "), f.GetRemark())
		}
		if stays := one.GetStays(); len(stays) > 0 {
			notes.Add(one.GetName(), "stays: "+strings.Join(stays, ", "))
		}
		for _, text := range one.GetRemarks() {
			notes.Add(one.GetName(), text)
		}
	}
	for _, text := range r.GetRemarks() {
		notes.Add("", text)
	}
	return []output.Grid{g, notes}
}

// showRescaled writes the table, and below it or into its file the sheet at the new size.
func (a *app) showRescaled(r *benchv1.RescaleTrialResponse, p *printing) error {
	switch output.Format(a.format) {
	case output.JSON:
		return output.WriteJSON(a.Out, r)
	case output.CSV:
		return output.WriteCSV(a.Out, rescaledGrids(r)[0])
	}
	for _, g := range rescaledGrids(r) {
		if len(g.Rows) == 0 {
			continue
		}
		if err := output.WriteTable(a.Out, g); err != nil {
			return err
		}
		if _, err := io.WriteString(a.Out, "\n"); err != nil {
			return err
		}
	}
	if r.GetSheet() == nil || p == nil {
		return nil
	}
	return p.show(a, r.GetSheet())
}

func (a *app) trialRescale() *cobra.Command {
	var n newSize
	c := &cobra.Command{
		Use: "rescale TRIAL --fibre MASS", Short: "What a trial's baths become for another mass of fibre: by mass, by volume, or by neither",
		Long: `What a recorded trial's baths become for another mass of fibre: what goes by mass, what by volume, and what by neither and has to be found anew. Amounts
that aren't known are named and not scaled. These figures were held against no rule: plan the trial at its new size before any fibre is wetted.`,
		Args: takes("TRIAL"), RunE: func(c *cobra.Command, args []string) error {
			q, err := n.request()
			if err != nil {
				return err
			}
			q.From = &benchv1.RescaleTrialRequest_TrialId{TrialId: args[0]}
			client, err := a.bench(c.Context())
			if err != nil {
				return err
			}
			r, err := call(c.Context(), a, client.RescaleTrial, q)
			if err != nil {
				return err
			}
			return a.showRescaled(r, nil)
		},
	}
	n.flags(c)
	return c
}

func (a *app) sheetRescale() *cobra.Command {
	var n newSize
	var p printing
	var keep bool
	c := &cobra.Command{
		Use: "rescale PLAN --fibre MASS", Short: "Plan a sheet again for another mass of fibre, and say what goes by mass, by volume, or by neither",
		Long: `Plan a sheet of yours again for another mass of fibre: what goes by mass, what by volume, and what by neither and has to be found anew, and the sheet at the
new size, held against the rules. --piece shares the fibre into pieces that a vessel takes, such as skeins of 100g. Nothing is kept, unless --keep says so: then
the plan at the new size is kept as one of its own.`,
		Args: takes("PLAN"), RunE: func(c *cobra.Command, args []string) error {
			if err := p.check(a); err != nil {
				return err
			}
			if p.to != "" && output.Format(a.format) != output.Table {
				return usage("--to takes the sheet at the new size, which --output %s doesn't write: leave one of them out", a.format)
			}
			q, err := n.request()
			if err != nil {
				return err
			}
			q.From = &benchv1.RescaleTrialRequest_PlanId{PlanId: args[0]}
			client, err := a.bench(c.Context())
			if err != nil {
				return err
			}
			r, err := call(c.Context(), a, client.RescaleTrial, q)
			if err != nil {
				return err
			}
			if keep {
				if r.Sheet, err = call(c.Context(), a, client.PlanTrial, &benchv1.PlanTrialRequest{Plan: r.GetSheet().GetPlan()}); err != nil {
					return err
				}
			}
			if output.Format(a.format) != output.JSON {
				withhold(r, sheet.Apply(r.GetSheet(), p.answers))
			}
			return a.showRescaled(r, &p)
		},
	}
	n.flags(c)
	c.Flags().StringVar(&n.piece, "piece", "", "share the fibre into pieces of at most this mass, such as 100g (default: as many pieces as there were)")
	c.Flags().BoolVar(&keep, "keep", false, "keep the plan at the new size")
	p.flags(c)
	return c
}

// sheetDelete and sheetUndelete are the commands of a sheet that other records have too.
func (a *app) sheetDelete() *cobra.Command {
	var reason, given string
	c := &cobra.Command{
		Use: "delete PLAN --reason TEXT", Short: "Delete a sheet of yours; it is kept, and can be undeleted",
		Long: "Delete a sheet of yours. It goes out of every list; its revisions and the codes of its pieces are kept, and undelete brings it back.",
		Args: takes("PLAN"), RunE: func(c *cobra.Command, args []string) error {
			if reason == "" {
				return usage("--reason is required: why, for the audit trail")
			}
			client, err := a.bench(c.Context())
			if err != nil {
				return err
			}
			if given == "" {
				present, err := call(c.Context(), a, client.GetSheet, &benchv1.GetSheetRequest{PlanId: args[0]})
				if err != nil {
					return err
				}
				given = present.GetEtag()
			}
			s, err := call(c.Context(), a, client.DeleteSheet, &benchv1.DeleteSheetRequest{PlanId: args[0], Etag: quoted(given), Reason: reason})
			if err != nil {
				return err
			}
			return a.show(s, sheetLine(s))
		},
	}
	c.Flags().StringVar(&reason, "reason", "", "why: 1 to 500 characters")
	c.Flags().StringVar(&given, "etag", "", "only if the sheet still has this etag (default: as it is now)")
	return c
}

func (a *app) sheetUndelete() *cobra.Command {
	var given string
	c := &cobra.Command{
		Use: "undelete PLAN", Short: "Bring a deleted sheet back", Args: takes("PLAN"), RunE: func(c *cobra.Command, args []string) error {
			client, err := a.bench(c.Context())
			if err != nil {
				return err
			}
			s, err := call(c.Context(), a, client.UndeleteSheet, &benchv1.UndeleteSheetRequest{PlanId: args[0], Etag: quoted(given)})
			if err != nil {
				return err
			}
			return a.show(s, sheetLine(s))
		},
	}
	c.Flags().StringVar(&given, "etag", "", "only if the sheet still has this etag")
	return c
}

func sheetLine(s *benchv1.Sheet) output.Grid {
	g := output.Grid{Columns: []string{"plan", "revision", "standing", "title", "deleted"}, Below: "etag " + etag(s.GetEtag())}
	g.Add(s.GetPlan().GetId(), s.GetRevision(), words.Show(s.GetStanding()), s.GetPlan().GetTitle(), s.GetDeleteTime() != nil)
	return g
}
