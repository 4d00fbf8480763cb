package cli

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/planfile"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	"github.com/commonvat/commonvat/clients/internal/sheet"
	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"
)

func (a *app) bench(ctx context.Context) (benchv1.BenchServiceClient, error) {
	conn, err := a.dial(ctx)
	if err != nil {
		return nil, err
	}
	return benchv1.NewBenchServiceClient(conn), nil
}

// amountsGrid shows what is weighed and poured for the baths that are released. history is why a sheet is no longer in use, "" if it is; then each row
// says so in place of its standing.
func amountsGrid(s *benchv1.Sheet, history string) output.Grid {
	g := output.Grid{Columns: []string{"bath", "standing", "load", "material", "way", "grams", "take_ml", "delivered_percent_wof", "uncertainty_percent", "withheld_because", "take_g", "least_g", "day", "history"}}
	for _, one := range s.GetBaths() {
		var day any // nil where it is not told
		if one.GetDay() > 0 {
			day = one.GetDay()
		}
		stands, was := words.Show(one.GetStanding()), ""
		if history != "" {
			stands, was = "history", fmt.Sprintf("%s; this bath was: %s", history, stands)
		}
		if one.GetStanding() != benchv1.Standing_STANDING_RELEASED {
			g.Add(one.GetName(), stands, nil, "", "", nil, nil, nil, nil, strings.Join(one.GetWithheldBecause(), "; "), nil, nil, day, was)
			continue
		}
		for i, l := range one.GetLoads() {
			for _, m := range l.GetAmounts() {
				g.Add(one.GetName(), stands, i+1, m.GetMaterial(), words.Show(m.GetWay()), m.GetGrams(), m.GetTakeMl(), m.GetDeliveredPercent(), m.GetUncertaintyPercent(), m.GetNotKnown(), m.TakeGrams, m.LeastGrams, day, was)
			}
		}
	}
	return g
}

func (a *app) plan() *cobra.Command {
	var check bool
	var p printing
	c := &cobra.Command{
		Use: "plan FILE", Short: "Plan a trial from a YAML or JSON file: amounts, mordants, order of work, and what is dangerous",
		Long: `Plan a trial from a YAML or JSON file (- is standard input), and print the sheet that goes to the pot.

What may be dangerous stands beside its step. A bath that a rule stops, that waits for an answer or that nobody checked has no amounts. The sheet
is kept; another plan under the same id is its next revision. Ids are taken as with "trial submit": the file's own "id", else --request-id, else the
one that is kept in FILE.sent.`,
		Args: takes("FILE"),
		RunE: func(c *cobra.Command, args []string) error {
			if err := p.check(a); err != nil {
				return err
			}
			data, err := a.readInput(args[0])
			if err != nil {
				return err
			}
			seed, err := a.fileSeed(args[0], data, check)
			if err != nil {
				return err
			}
			f, err := planfile.Parse(data, seed)
			if err != nil {
				return err
			}
			client, err := a.bench(c.Context())
			if err != nil {
				return err
			}
			s, err := call(c.Context(), a, client.PlanTrial, &benchv1.PlanTrialRequest{Plan: f.Plan, ValidateOnly: check})
			if err != nil {
				return &placed{err: err, where: f.Where}
			}
			if check {
				a.say("checked: nothing was kept, and no piece has a code yet")
			}
			return p.show(a, s)
		},
	}
	c.Flags().BoolVar(&check, "check", false, "plan and keep nothing")
	p.flags(c)
	return a.writes(c)
}

func (a *app) sheet() *cobra.Command {
	return groupOf("sheet", "Read, list and inspect the sheets of your plans", a.sheetShow(), a.sheetPrint(), a.sheetList(), a.sheetAgain(), a.sheetOverride(), a.sheetRescale(), a.sheetDelete(), a.sheetUndelete())
}

func (a *app) sheetShow() *cobra.Command {
	var p printing
	var revision int64
	c := &cobra.Command{Use: "show PLAN", Short: "Print a sheet of yours", Args: takes("PLAN"), RunE: func(c *cobra.Command, args []string) error {
		if err := p.check(a); err != nil {
			return err
		}
		client, err := a.bench(c.Context())
		if err != nil {
			return err
		}
		s, err := call(c.Context(), a, client.GetSheet, &benchv1.GetSheetRequest{PlanId: args[0], Revision: revision})
		if err != nil {
			return err
		}
		if revision > 0 {
			newest, err := call(c.Context(), a, client.GetSheet, &benchv1.GetSheetRequest{PlanId: args[0]})
			if err != nil {
				return err
			}
			p.history = sheet.History(s, newest)
		}
		return p.show(a, s)
	}}
	c.Flags().Int64Var(&revision, "revision", 0, "an earlier revision (default: the newest)")
	p.flags(c)
	return c
}

func (a *app) sheetPrint() *cobra.Command {
	var p printing
	c := &cobra.Command{Use: "print FILE", Short: "Print a sheet from its JSON, without a server (- is standard input)", Args: takes("FILE"), RunE: func(_ *cobra.Command, args []string) error {
		if err := p.check(a); err != nil {
			return err
		}
		data, err := a.readInput(args[0])
		if err != nil {
			return err
		}
		s := &benchv1.Sheet{}
		if err := protojson.Unmarshal(data, s); err != nil {
			return input("%s is no sheet as JSON: %v", args[0], err)
		}
		return p.show(a, s)
	}}
	p.flags(c)
	return c
}

func (a *app) sheetList() *cobra.Command {
	limit, deleted := 50, false
	c := &cobra.Command{Use: "list", Short: "List your sheets, newest plan first", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		client, err := a.bench(c.Context())
		if err != nil {
			return err
		}
		all, err := a.sheets(c.Context(), client, deleted, limit)
		if err != nil {
			return err
		}
		g := output.Grid{Columns: []string{"plan", "revision", "standing", "title", "trial"}}
		for _, s := range all.GetSheets() {
			g.Add(s.GetPlanId(), s.GetRevision(), words.Show(s.GetStanding()), s.GetTitle(), s.GetTrialId())
		}
		return a.show(all, g)
	}}
	c.Flags().IntVar(&limit, "limit", limit, "most sheets to show; 0 shows all")
	c.Flags().BoolVar(&deleted, "deleted", false, "list the deleted ones, and no others")
	return c
}

// sheets reads summaries of the newest sheets, at most limit; 0 reads all.
func (a *app) sheets(ctx context.Context, client benchv1.BenchServiceClient, deleted bool, limit int) (*benchv1.ListSheetsResponse, error) {
	all := &benchv1.ListSheetsResponse{}
	for token := ""; ; {
		page, err := call(ctx, a, client.ListSheets, &benchv1.ListSheetsRequest{PageToken: token, PageSize: 200, Deleted: deleted})
		if err != nil {
			return nil, err
		}
		all.Sheets = append(all.Sheets, page.GetSheets()...)
		if token = page.GetNextPageToken(); token == "" || limit > 0 && len(all.GetSheets()) >= limit {
			break
		}
	}
	if limit > 0 && len(all.GetSheets()) > limit {
		all.Sheets = all.Sheets[:limit]
	}
	return all, nil
}

// sheetsACall are inspected in one call, so that each has an answer soon.
const sheetsACall = 100

func (a *app) sheetAgain() *cobra.Command {
	return &cobra.Command{
		Use: "again [PLAN ...]", Short: "Hold sheets against the rules as they are now (default: all of yours)", Args: cobra.ArbitraryArgs,
		RunE: func(c *cobra.Command, args []string) error {
			client, err := a.bench(c.Context())
			if err != nil {
				return err
			}
			if len(args) == 0 {
				all, err := a.sheets(c.Context(), client, false, 0)
				if err != nil {
					return err
				}
				for _, s := range all.GetSheets() {
					args = append(args, s.GetPlanId())
				}
			}
			answer := &benchv1.InspectSheetsAgainResponse{}
			for some := range slices.Chunk(args, sheetsACall) {
				part, err := call(c.Context(), a, client.InspectSheetsAgain, &benchv1.InspectSheetsAgainRequest{PlanIds: some})
				if err != nil {
					return err
				}
				answer.Sheets = append(answer.Sheets, part.GetSheets()...)
			}
			g := output.Grid{Columns: []string{"plan", "revision", "before", "now", "changed", "workshop_changed", "title"}}
			for _, s := range answer.GetSheets() {
				g.Add(s.GetPlanId(), s.GetRevision(), words.Show(s.GetBefore()), words.Show(s.GetNow()), s.GetChanged(), s.GetWorkshopChanged(), s.GetTitle())
			}
			return a.show(answer, g)
		},
	}
}

func (a *app) sheetOverride() *cobra.Command {
	var p printing
	q := &benchv1.OverrideStopRequest{}
	c := &cobra.Command{
		Use: "override PLAN --bath NAME --rule ID --reason TEXT", Short: "Take a stop that harms fibre alone upon yourself, with a written reason",
		Long: `Take a stop that harms fibre alone upon yourself, with a written reason. It is kept on the sheet and in the audit trail, under your name. A stop that can
hurt somebody is never lifted.`,
		Args: takes("PLAN"), RunE: func(c *cobra.Command, args []string) error {
			if err := p.check(a); err != nil {
				return err
			}
			if q.GetBath() == "" || q.GetRuleId() == "" || q.GetReason() == "" {
				return usage("--bath, --rule and --reason are required")
			}
			client, err := a.bench(c.Context())
			if err != nil {
				return err
			}
			present, err := call(c.Context(), a, client.GetSheet, &benchv1.GetSheetRequest{PlanId: args[0]})
			if err != nil {
				return err
			}
			q.PlanId = args[0]
			if q.GetEtag() == "" {
				q.Etag = present.GetEtag()
			}
			for _, one := range present.GetBaths() {
				for _, f := range one.GetFindings() {
					if one.GetName() == q.GetBath() && f.GetRuleId() == q.GetRuleId() && q.GetPackSha256() == "" {
						q.PackSha256 = f.GetPackSha256()
					}
				}
			}
			if q.GetPackSha256() == "" {
				return input("no finding of rule %s stands on the sheet in bath %q", q.GetRuleId(), q.GetBath())
			}
			s, err := call(c.Context(), a, client.OverrideStop, q)
			if err != nil {
				return err
			}
			return p.show(a, s)
		},
	}
	f := c.Flags()
	f.StringVar(&q.Bath, "bath", "", "name of the bath")
	f.StringVar(&q.RuleId, "rule", "", "id of the rule")
	f.StringVar(&q.PackSha256, "pack", "", "SHA-256 of its pack, where several packs have the rule")
	f.StringVar(&q.Reason, "reason", "", "why: 10 to 500 characters")
	f.StringVar(&q.Etag, "etag", "", "only if the sheet still has this etag (default: as it is now)")
	p.flags(c)
	return c
}

func (a *app) workshop() *cobra.Command {
	return groupOf("workshop", "Say once what your workshop is like", a.workshopShow(), a.workshopSet())
}

func (a *app) showWorkshop(w *benchv1.Workshop) error {
	g := output.Grid{Columns: []string{"of", "field", "answer", "doubtful"}}
	add := func(of string, answers []*benchv1.Answer) {
		for _, one := range answers {
			g.Add(of, one.GetField(), answerText(one), one.GetDoubtful())
		}
	}
	for _, b := range w.GetBalances() {
		g.Add("balance", "step_g", fmt.Sprintf("%g", b.GetStepG()), false)
	}
	for _, v := range w.GetVessels() {
		g.Add("vessel "+v.GetName(), "litres", fmt.Sprintf("%g", v.GetLitres()), false)
		add("vessel "+v.GetName(), v.GetAnswers())
		for _, use := range v.GetUses() {
			g.Add("vessel "+v.GetName(), "held, by the record", fmt.Sprintf("%s (bath %q, %s)", strings.Join(use.GetMaterials(), ", "), use.GetBath(), use.GetTime().AsTime().Format("2006-01-02")), use.GetContentsNotStated())
		}
	}
	add("workshop", w.GetAnswers())
	for _, m := range w.GetShelf() {
		add(m.GetMaterial(), m.GetAnswers())
	}
	switch {
	case w.GetRevision() == 0:
		g.Below = "It was never answered; see: commonvat workshop set --help"
	case w.GetDue():
		g.Below = "It was answered more than a year ago and counts no more: look it through, and send it again."
	default:
		g.Below = fmt.Sprintf("Revision %d, etag %s; asked again on %s.", w.GetRevision(), w.GetEtag(), w.GetAskAgainTime().AsTime().Format("2006-01-02"))
	}
	return a.show(w, g)
}

func answerText(one *benchv1.Answer) string {
	switch v := one.GetValue().(type) {
	case *benchv1.Answer_Truth:
		if v.Truth {
			return "yes"
		}
		return "no"
	case *benchv1.Answer_Texts:
		if len(v.Texts.GetValues()) == 0 {
			return "none"
		}
		return strings.Join(v.Texts.GetValues(), ", ")
	case *benchv1.Answer_Number:
		if v.Number.GetLow() == v.Number.GetHigh() {
			return fmt.Sprintf("%g", v.Number.GetLow())
		}
		return fmt.Sprintf("%g to %g", v.Number.GetLow(), v.Number.GetHigh())
	}
	return ""
}

func (a *app) workshopShow() *cobra.Command {
	return &cobra.Command{Use: "show", Short: "Show what you said of your workshop", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		client, err := a.bench(c.Context())
		if err != nil {
			return err
		}
		w, err := call(c.Context(), a, client.GetWorkshop, &benchv1.GetWorkshopRequest{})
		if err != nil {
			return err
		}
		return a.showWorkshop(w)
	}}
}

func (a *app) workshopSet() *cobra.Command {
	etag, toldAnew := "", []string(nil)
	c := &cobra.Command{
		Use: "set FILE", Short: "Say what your workshop is like, from a YAML or JSON file (- is standard input)",
		Long: `Say what your workshop is like, from a YAML or JSON file (- is standard input). It takes the place of what you said before, and counts for a year. Nothing about
your health belongs in it.

Metals of baths that you record in a vessel of the workshop count before what is said here of its last metal. When a vessel was cleaned and looked
at since, name it with --told-anew.`,
		Args: takes("FILE"), RunE: func(c *cobra.Command, args []string) error {
			data, err := a.readInput(args[0])
			if err != nil {
				return err
			}
			w, err := planfile.ParseWorkshop(data)
			if err != nil {
				return err
			}
			client, err := a.bench(c.Context())
			if err != nil {
				return err
			}
			if etag == "" {
				present, err := call(c.Context(), a, client.GetWorkshop, &benchv1.GetWorkshopRequest{})
				if err != nil {
					return err
				}
				etag = present.GetEtag()
			}
			kept, err := call(c.Context(), a, client.UpdateWorkshop, &benchv1.UpdateWorkshopRequest{Workshop: w, Etag: etag, ToldAnew: toldAnew})
			if err != nil {
				return err
			}
			return a.showWorkshop(kept)
		},
	}
	c.Flags().StringVar(&etag, "etag", "", "only if it still has this etag (default: as it is now)")
	c.Flags().StringArrayVar(&toldAnew, "told-anew", nil, "a vessel whose last metal was looked at anew; may be given several times")
	return c
}
