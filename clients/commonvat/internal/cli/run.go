package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
)

func (a *app) runs(ctx context.Context) (catalogv1.RunServiceClient, error) {
	conn, err := a.dial(ctx)
	if err != nil {
		return nil, err
	}
	return catalogv1.NewRunServiceClient(conn), nil
}

func (a *app) run() *cobra.Command {
	return groupOf("run", "Score the pool by chosen palette modules, side by side, and see what changes (researchers)",
		a.runCreate(), a.runList(),
		a.runAbout("show ID", "Show a run with its progress", func(ctx context.Context, client catalogv1.RunServiceClient, id, _ string) (*catalogv1.Run, error) {
			return call(ctx, a, client.GetRun, &catalogv1.GetRunRequest{RunId: id})
		}, false),
		a.runWatch(), a.runScores(), a.runCompare(),
		a.runAbout("cancel ID", "End a run that is under way; what it has stays", func(ctx context.Context, client catalogv1.RunServiceClient, id, reason string) (*catalogv1.Run, error) {
			return call(ctx, a, client.CancelRun, &catalogv1.CancelRunRequest{RunId: id, Reason: reason})
		}, true),
		a.runAbout("resume ID", "Have a run go on that was cancelled, interrupted or failed", func(ctx context.Context, client catalogv1.RunServiceClient, id, reason string) (*catalogv1.Run, error) {
			return call(ctx, a, client.ResumeRun, &catalogv1.ResumeRunRequest{RunId: id, Reason: reason})
		}, true),
		a.runAbout("delete ID", "Take a run out, with its columns and scores", func(ctx context.Context, client catalogv1.RunServiceClient, id, reason string) (*catalogv1.Run, error) {
			_, err := call(ctx, a, client.DeleteRun, &catalogv1.DeleteRunRequest{RunId: id, Reason: reason})
			return nil, err
		}, true))
}

// questionFlags are the flags that say which rows, and how they are told apart.
type questionFlags struct {
	by, condition string
	question      catalogv1.RunQuestion
}

func (q *questionFlags) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&q.by, "by", "", "what palettes are told apart by: order, water, fibre, mordant or exhaust (required without --experiment)")
	f.StringVar(&q.question.Filter, "where", "", "filter, for example: fibre = \"wool\" AND dye = \"weld\"")
	f.StringVar(&q.question.ExperimentId, "experiment", "", "id of an experiment: the sessions that its verdict stands on, told apart by what it asks")
	f.StringVar(&q.condition, "condition", "", "D65/10, D65/2, A/10 or A/2 (default: the experiment's, or D65/10)")
}

func (q *questionFlags) take(ctx context.Context, a *app) (*catalogv1.RunQuestion, error) {
	var err error
	if q.by == "" && q.question.GetExperimentId() != "" {
		e, err := a.experimentKeeper().get(ctx, q.question.GetExperimentId())
		if err != nil {
			return nil, err
		}
		q.question.GroupBy = askedBy(e)
	} else if q.question.GroupBy, err = words.Parse[poolv1.GroupBy](q.by); err != nil {
		return nil, usage("--by: %v", err)
	}
	if q.condition != "" {
		if q.question.Condition, err = words.Condition(q.condition); err != nil {
			return nil, usage("--condition: %v", err)
		}
	}
	return &q.question, nil
}

func (a *app) runCreate() *cobra.Command {
	var q questionFlags
	var modules, set []string
	var wait bool
	request := &catalogv1.CreateRunRequest{}
	c := &cobra.Command{
		Use: "create --title TEXT --by order|water|fibre|mordant|exhaust --module NAME", Short: "Begin a run",
		Long: `Begin a run: its rows are frozen, then each module scores them. Give --module for each module that is to be asked, and --set MODULE.PARAMETER=VALUE for what it
is to be told. With --wait the program stays until the run is over.`,
		Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
			var err error
			if request.Question, err = q.take(c.Context(), a); err != nil {
				return err
			}
			if request.Modules, err = runModules(modules, set); err != nil {
				return err
			}
			if request.RunId, err = a.seed(); err != nil {
				return err
			}
			client, err := a.runs(c.Context())
			if err != nil {
				return err
			}
			run, err := call(c.Context(), a, client.CreateRun, request)
			if err != nil {
				return err
			}
			if wait {
				return a.follow(c.Context(), client, run.GetId())
			}
			return a.showRun(run)
		},
	}
	q.flags(c)
	f := c.Flags()
	f.StringVar(&request.Title, "title", "", "what the run is for (required)")
	f.StringArrayVar(&modules, "module", nil, "a module that is asked; repeated for each")
	f.StringArrayVar(&set, "set", nil, "MODULE.PARAMETER=VALUE; repeated for each")
	f.Uint64Var(&request.Seed, "seed", 1, "seed of the random draws")
	f.StringVar(&request.Reason, "reason", "", "why, for the audit trail")
	f.BoolVar(&wait, "wait", false, "stay until the run is over")
	return a.writes(c)
}

// runModules reads the modules, and what each is told.
func runModules(names, set []string) ([]*catalogv1.RunModule, error) {
	var out []*catalogv1.RunModule
	for _, name := range names {
		out = append(out, &catalogv1.RunModule{Name: name})
	}
	for _, text := range set {
		place, value, ok := strings.Cut(text, "=")
		module, parameter, named := strings.Cut(place, ".")
		if !ok || !named || parameter == "" {
			return nil, usage("--set: %q is not MODULE.PARAMETER=VALUE", text)
		}
		var to *catalogv1.RunModule
		for _, m := range out {
			if m.GetName() == module {
				to = m
			}
		}
		if to == nil {
			return nil, usage("--set: %q is of no module that --module names", text)
		}
		one := &describev1.ParameterValue{Name: parameter}
		if number, err := strconv.ParseFloat(value, 64); err == nil {
			one.Value = &describev1.ParameterValue_Number{Number: number}
		} else {
			one.Value = &describev1.ParameterValue_Choice{Choice: value}
		}
		to.Parameters = append(to.Parameters, one)
	}
	return out, nil
}

// runAbout is a command about one run by its id.
func (a *app) runAbout(use, short string, do func(ctx context.Context, client catalogv1.RunServiceClient, id, reason string) (*catalogv1.Run, error), reasoned bool) *cobra.Command {
	var reason string
	c := &cobra.Command{Use: use, Short: short, Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
		client, err := a.runs(c.Context())
		if err != nil {
			return err
		}
		run, err := do(c.Context(), client, args[0], reason)
		if err != nil {
			return err
		}
		if run == nil {
			_, err := fmt.Fprintln(a.Out, "Run "+args[0]+" is deleted.")
			return err
		}
		return a.showRun(run)
	}}
	if reasoned {
		c.Flags().StringVar(&reason, "reason", "", "why, for the audit trail")
	}
	return c
}

func (a *app) runList() *cobra.Command {
	var limit int
	c := &cobra.Command{Use: "list", Short: "List runs, newest first", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		if limit < 1 {
			return usage("--limit must be above 0")
		}
		client, err := a.runs(c.Context())
		if err != nil {
			return err
		}
		all := &catalogv1.ListRunsResponse{}
		request := &catalogv1.ListRunsRequest{PageSize: int32(min(limit, 200))}
		for len(all.GetRuns()) < limit {
			page, err := call(c.Context(), a, client.ListRuns, request)
			if err != nil {
				return err
			}
			all.Runs = append(all.Runs, page.GetRuns()...)
			if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
				break
			}
		}
		all.Runs = all.Runs[:min(limit, len(all.GetRuns()))]
		return a.show(all, runGrid(all.GetRuns()...))
	}}
	c.Flags().IntVar(&limit, "limit", 50, "how many at most")
	return c
}

func runGrid(list ...*catalogv1.Run) output.Grid {
	g := output.Grid{Columns: []string{"id", "title", "state", "modules", "rows", "scored", "erased_rows", "owner", "created", "reason"}}
	for _, r := range list {
		var names []string
		for _, m := range r.GetModules() {
			names = append(names, m.GetName())
		}
		g.Add(r.GetId(), r.GetTitle(), words.Show(r.GetState()), strings.Join(names, ", "), r.GetColumns().GetRows(), progress(r), r.GetColumns().GetErasedRows(), r.GetOwner(),
			stamp(r.GetCreateTime()), r.GetReason())
	}
	return g
}

// progress is how much of a run is scored, in whole percent: rows and arrangements of all modules.
func progress(r *catalogv1.Run) string {
	if r.GetColumns() == nil {
		return ""
	}
	done, all := int64(0), r.GetColumns().GetRows()*int64(len(r.GetModules()))
	for _, x := range r.GetResults() {
		done += x.GetRowsDone() + int64(x.GetRelabellingsDone())
		all += int64(x.GetRelabellingsAll())
	}
	if all == 0 {
		return "100 %"
	}
	return fmt.Sprintf("%d %%", 100*done/all)
}

// showRun writes a run with what its modules have said so far.
func (a *app) showRun(r *catalogv1.Run) error {
	results := output.Grid{Title: "by module", Columns: []string{"module", "version", "rows_done", "rows", "arrangements_done", "arrangements", "scores_sha256", "digest"}}
	tests := output.Grid{Title: "verdicts by other methods", Columns: []string{"module", "score", "standing", "p", "p_adjusted", "statement"}}
	for _, x := range r.GetResults() {
		id := x.GetModule()
		results.Add(id.GetName(), id.GetVersion(), x.GetRowsDone(), x.GetRowsAll(), x.GetRelabellingsDone(), x.GetRelabellingsAll(), x.GetScoresSha256(), id.GetDigest())
		for _, t := range x.GetTests() {
			tests.Add(id.GetName(), t.GetScore(), words.Show(t.GetStanding()), maybe(t.P), maybe(t.PAdjusted), t.GetStatement())
		}
	}
	left := output.Grid{Title: "left out", Columns: []string{"count", "of", "reason"}}
	for _, x := range r.GetColumns().GetLeftOut() {
		left.Add(x.GetCount(), x.GetUnit(), x.GetReason())
	}
	line := runGrid(r)
	if c := r.GetColumns(); c != nil {
		line.Below = fmt.Sprintf("%d rows in %d groups, %d strata, %d sessions, under %s, of pool revision %d; SHA-256 %s",
			c.GetRows(), c.GetGroups(), c.GetStrata(), c.GetSessions(), words.ShowCondition(c.GetCondition()), c.GetPoolRevision(), c.GetSha256())
		if c.GetClosingSessions() > 0 {
			line.Below += fmt.Sprintf("\n%d sessions of the experiment are complete, %d are used; it closes at %d", c.GetCompleteSessions(), c.GetUsedSessions(), c.GetClosingSessions())
		}
		if c.GetNotClosed() != "" {
			line.Below += "\nit isn't closed and nothing is tested, for want of " + c.GetNotClosed()
		}
		if c.GetErasedRows() > 0 {
			line.Below += fmt.Sprintf("\n%d rows were taken back by members since, last on %s; before, the columns had SHA-256 %s", c.GetErasedRows(), stamp(c.GetEraseTime()), c.GetFirstSha256())
		}
	}
	return a.show(r, line, results, tests, left)
}

func (a *app) runWatch() *cobra.Command {
	return &cobra.Command{
		Use: "watch ID", Short: "Follow a run until it is over, and show it",
		Long: `Follow a run until it is over, and show it. Progress goes to standard error. The exit code is 5 when it is over and not done: cancelled, interrupted or failed.`,
		Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
			client, err := a.runs(c.Context())
			if err != nil {
				return err
			}
			return a.follow(c.Context(), client, args[0])
		},
	}
}

// pollEvery is how often a run is looked at.
const pollEvery = 500 * time.Millisecond

func (a *app) follow(ctx context.Context, client catalogv1.RunServiceClient, id string) error {
	for last := ""; ; {
		run, err := call(ctx, a, client.GetRun, &catalogv1.GetRunRequest{RunId: id})
		if err != nil {
			return err
		}
		if now := strings.TrimSpace(words.Show(run.GetState()) + " " + progress(run)); now != last {
			a.say("%s", now)
			last = now
		}
		switch run.GetState() {
		case catalogv1.RunState_RUN_STATE_WAITING, catalogv1.RunState_RUN_STATE_FREEZING, catalogv1.RunState_RUN_STATE_SCORING:
		case catalogv1.RunState_RUN_STATE_DONE:
			return a.showRun(run)
		default:
			return errors.Join(a.showRun(run), &outcome{ExitConflict})
		}
		select {
		case <-time.After(pollEvery):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (a *app) runScores() *cobra.Command {
	var module string
	c := &cobra.Command{Use: "scores ID", Short: "Show what a module of a run said of each group", Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
		client, err := a.runs(c.Context())
		if err != nil {
			return err
		}
		all := &catalogv1.GetRunScoresResponse{}
		for request := (&catalogv1.GetRunScoresRequest{RunId: args[0], Module: module, PageSize: 200}); ; {
			page, err := call(c.Context(), a, client.GetRunScores, request)
			if err != nil {
				return err
			}
			all.Module, all.Described, all.Groups = page.GetModule(), page.GetDescribed(), append(all.GetGroups(), page.GetGroups()...)
			if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
				break
			}
		}
		g := output.Grid{Title: fmt.Sprintf("by %s %s", all.GetModule().GetName(), all.GetModule().GetVersion()), Columns: []string{"stratum", "group"}}
		for _, d := range all.GetDescribed() {
			g.Columns = append(g.Columns, d.GetName())
		}
		for _, group := range all.GetGroups() {
			row := []any{group.GetStratum(), group.GetGroup()}
			for _, f := range group.GetFigures() {
				row = append(row, maybe(f.Value))
			}
			g.Add(row...)
		}
		return a.show(all, g)
	}}
	c.Flags().StringVar(&module, "module", "", "the module, when the run has several")
	return c
}

// runScore reads RUN, RUN/MODULE or RUN/MODULE/SCORE.
func runScore(text string) (*catalogv1.RunScore, error) {
	parts := strings.Split(text, "/")
	if len(parts) > 3 || parts[0] == "" {
		return nil, usage("%q is not RUN, RUN/MODULE or RUN/MODULE/SCORE", text)
	}
	parts = append(parts, "", "")
	return &catalogv1.RunScore{RunId: parts[0], Module: parts[1], Score: parts[2]}, nil
}

func (a *app) runCompare() *cobra.Command {
	var part string
	c := &cobra.Command{
		Use: "compare RUN[/MODULE[/SCORE]] RUN[/MODULE[/SCORE]]", Short: "See which rankings and verdicts flip between two scores, by how much, over which groups",
		Long: `See which rankings and verdicts flip between two scores: of two runs, or of two modules of one run. MODULE may be left out of a run with one module, and SCORE for
the module's first. A margin is how far two groups are apart, as a part of the larger. --output csv writes one part (--part flips or moved).`,
		Args: takes("FIRST", "SECOND"), RunE: func(c *cobra.Command, args []string) error {
			first, err := runScore(args[0])
			if err != nil {
				return err
			}
			second, err := runScore(args[1])
			if err != nil {
				return err
			}
			client, err := a.runs(c.Context())
			if err != nil {
				return err
			}
			got, err := call(c.Context(), a, client.CompareRuns, &catalogv1.CompareRunsRequest{First: first, Second: second})
			if err != nil {
				return &placed{err: err, where: func(field string) string {
					switch at, _, _ := strings.Cut(field, "."); at {
					case "first":
						return args[0]
					case "second":
						return args[1]
					}
					return ""
				}}
			}
			return a.showComparison(got, part)
		},
	}
	c.Flags().StringVar(&part, "part", "flips", "with --output csv: flips or moved")
	return c
}

// scoreName names a score as runScore reads it.
func scoreName(s *catalogv1.RunScore) string {
	return s.GetRunId() + "/" + s.GetModule() + "/" + s.GetScore()
}

func (a *app) showComparison(r *catalogv1.CompareRunsResponse, part string) error {
	flips := output.Grid{Title: "rankings that flip, the largest first", Columns: []string{"stratum", "wider_by_first", "wider_by_second", "margin_by_first", "margin_by_second"}}
	for _, x := range r.GetFlips() {
		flips.Add(x.GetStratum(), x.GetWiderByFirst(), x.GetWiderBySecond(), x.GetMarginByFirst(), x.GetMarginBySecond())
	}
	moved := output.Grid{Title: "groups that move", Columns: []string{"stratum", "group", "first_rank", "second_rank", "first_value", "second_value"}}
	for _, x := range r.GetMoved() {
		moved.Add(x.GetStratum(), x.GetGroup(), x.GetFirstRank(), x.GetSecondRank(), x.GetFirstValue(), x.GetSecondValue())
	}
	grids := map[string]output.Grid{"flips": flips, "moved": moved}
	if output.Format(a.format) != output.Table {
		g, ok := grids[part]
		if !ok {
			return usage("--part: %q is not known; allowed: flips, moved", part)
		}
		return a.show(r, g)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s\nfirst is %s, second is %s\n", output.Clean(r.GetStatement()), scoreName(r.GetFirst()), scoreName(r.GetSecond()))
	for _, x := range r.GetCannotTell() {
		fmt.Fprintf(&b, "can't tell: %s\n", output.Clean(x))
	}
	for _, v := range r.GetVerdicts() {
		fmt.Fprintf(&b, "first:  %s\nsecond: %s\n", output.Clean(v.GetFirstStatement()), output.Clean(v.GetSecondStatement()))
	}
	fmt.Fprintf(&b, "%d groups have a value by both scores, %d by one alone; %d pairs, %d told apart by both, %d flip\n",
		r.GetGroups(), r.GetGroupsByOneAlone(), r.GetPairs(), r.GetPairsToldApart(), r.GetPairsFlipped())
	if r.LargestChange != nil {
		fmt.Fprintf(&b, "the same score by both; its value changes by %s at most\n", figure(r.LargestChange))
	}
	for _, g := range []output.Grid{flips, moved} {
		if len(g.Rows) > 0 {
			b.WriteString("\n")
			if err := output.WriteTable(&b, g); err != nil {
				return err
			}
		}
	}
	_, err := io.WriteString(a.Out, b.String())
	return err
}
