package cli

import (
	"context"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/trialfile"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/spf13/cobra"
)

func (a *app) experiments(ctx context.Context) (labv1.ExperimentServiceClient, error) {
	conn, err := a.dial(ctx)
	if err != nil {
		return nil, err
	}
	return labv1.NewExperimentServiceClient(conn), nil
}

// experimentGrid shows experiments. names has the names of waters by their ids, which a table shows instead of the ids.
func (a *app) experimentGrid(names map[string]string, list ...*labv1.Experiment) output.Grid {
	g := output.Grid{Columns: []string{"id", "title", "asks", "first_dye", "second_dye", "arms", "waters", "water_source_ids", "values", "water_figure", "tolerance_de00", "closing_sessions",
		"instrument", "condition", "owner", "deleted"}}
	for _, e := range list {
		arms := make([]string, len(e.GetArms()))
		for i, x := range e.GetArms() {
			arms[i] = words.Show(x)
		}
		asks, figure := e.GetAsks(), ""
		if asks == labv1.ExperimentAsks_EXPERIMENT_ASKS_UNSPECIFIED {
			asks = labv1.ExperimentAsks_EXPERIMENT_ASKS_ORDERS
		}
		if f := e.GetWaterFigure(); f != labv1.WaterFigure_WATER_FIGURE_UNSPECIFIED {
			figure = words.Show(f)
		}
		waters, ids := namedWaters(names, e.GetWaterSourceIds()), strings.Join(e.GetWaterSourceIds(), ", ")
		if output.Format(a.format) == output.Table && waters != "" {
			ids = ""
		}
		g.Add(e.GetId(), e.GetTitle(), words.Show(asks), e.GetFirstDye(), e.GetSecondDye(), strings.Join(arms, ", "), waters, ids,
			strings.Join(e.GetValues(), ", "), figure, e.GetToleranceDe00(), e.GetClosingSessions(), e.GetInstrument(),
			words.ShowCondition(e.GetCondition()), e.GetOwner(), stamp(e.GetDeleteTime()))
	}
	return g
}

// namedWaters lists the names of waters. Two with the same name also get the ends of their ids, and one without a name its id. Without names it is "".
func namedWaters(names map[string]string, ids []string) string {
	if names == nil {
		return ""
	}
	of := map[string]int{}
	for _, id := range ids {
		of[names[id]]++
	}
	texts := make([]string, len(ids))
	for i, id := range ids {
		switch name := names[id]; {
		case name == "":
			texts[i] = id
		case of[name] > 1:
			texts[i] = name + " (" + id[max(0, len(id)-4):] + ")"
		default:
			texts[i] = name
		}
	}
	return strings.Join(texts, ", ")
}

// waterNames looks up the names of experiments' waters. A deleted one is shown by its id, and so are all, with a warning, where the waters can't be read.
// It is nil for JSON, which has the ids.
func (a *app) waterNames(ctx context.Context, list ...*labv1.Experiment) map[string]string {
	if output.Format(a.format) == output.JSON {
		return nil
	}
	names := map[string]string{}
	if !slices.ContainsFunc(list, func(e *labv1.Experiment) bool { return len(e.GetWaterSourceIds()) > 0 }) {
		return names
	}
	waters, err := a.waterSources(ctx, false)
	if err != nil {
		a.say("note: waters are shown by their ids, since their names can't be read: %s", err)
	}
	for _, w := range waters.GetWaterSources() {
		names[w.GetId()] = w.GetName()
	}
	return names
}

// experimentLine is one experiment.
func (a *app) experimentLine(ctx context.Context, e *labv1.Experiment) output.Grid {
	g := a.experimentGrid(a.waterNames(ctx, e), e)
	g.Below = etagLine(e)
	return g
}

func (a *app) experimentKeeper() keeper[*labv1.Experiment] {
	return keeper[*labv1.Experiment]{
		noun: "experiment", kind: labv1.RecordKind_RECORD_KIND_EXPERIMENT,
		get: func(ctx context.Context, id string) (*labv1.Experiment, error) {
			client, err := a.experiments(ctx)
			if err != nil {
				return nil, err
			}
			return call(ctx, a, client.GetExperiment, &labv1.GetExperimentRequest{ExperimentId: id})
		},
		remove: func(ctx context.Context, requestID, id, etag, reason string) (*labv1.Experiment, error) {
			client, err := a.experiments(ctx)
			if err != nil {
				return nil, err
			}
			return call(ctx, a, client.DeleteExperiment, &labv1.DeleteExperimentRequest{RequestId: requestID, ExperimentId: id, Etag: etag, Reason: reason})
		},
		restore: func(ctx context.Context, requestID, id, etag string) (*labv1.Experiment, error) {
			client, err := a.experiments(ctx)
			if err != nil {
				return nil, err
			}
			return call(ctx, a, client.UndeleteExperiment, &labv1.UndeleteExperimentRequest{RequestId: requestID, ExperimentId: id, Etag: etag})
		},
		show: func(ctx context.Context, e *labv1.Experiment) error { return a.show(e, a.experimentLine(ctx, e)) },
		grids: func(ctx context.Context, v *labv1.GetVersionResponse) []output.Grid {
			return []output.Grid{a.experimentLine(ctx, v.GetExperiment())}
		},
	}
}

func (a *app) experimentEdit() *cobra.Command {
	x := &labv1.Experiment{}
	var arms []string
	var condition, asks, figure string
	var e edit
	c := &cobra.Command{
		Use: "edit ID --title TEXT", Short: "Change the title of an experiment that you set, or its plan while no session counts towards it (coordinators)",
		Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
			err := e.take(c, [][2]string{{"title", "title"}, {"first-dye", "first_dye"}, {"second-dye", "second_dye"}, {"arm", "arms"}, {"tolerance", "tolerance_de00"},
				{"closing-sessions", "closing_sessions"}, {"instrument", "instrument"}, {"condition", "condition"},
				{"asks", "asks"}, {"water", "water_source_ids"}, {"value", "values"}, {"water-figure", "water_figure"}})
			if err != nil {
				return err
			}
			x.Id, x.Arms = args[0], nil
			for _, text := range arms {
				arm, err := words.Parse[labv1.ExperimentArm](text)
				if err != nil {
					return usage("--arm: %v", err)
				}
				x.Arms = append(x.Arms, arm)
			}
			if asks != "" {
				if x.Asks, err = words.Parse[labv1.ExperimentAsks](asks); err != nil {
					return usage("--asks: %v", err)
				}
			}
			if figure != "" {
				if x.WaterFigure, err = words.Parse[labv1.WaterFigure](figure); err != nil {
					return usage("--water-figure: %v", err)
				}
			}
			x.WaterSourceIds, x.Values = given(x.GetWaterSourceIds()), given(x.GetValues())
			if condition != "" {
				if x.Condition, err = words.Condition(condition); err != nil {
					return usage("--condition: %v", err)
				}
			}
			client, err := a.experiments(c.Context())
			if err != nil {
				return err
			}
			return send(c.Context(), a, a.experimentKeeper(), args[0], &e, func(requestID, etag string) (*labv1.Experiment, error) {
				return call(c.Context(), a, client.UpdateExperiment, &labv1.UpdateExperimentRequest{RequestId: requestID, Etag: etag, Reason: e.reason, Experiment: x, UpdateMask: &e.mask})
			})
		},
	}
	f := c.Flags()
	f.StringVar(&x.Title, "title", "", "the title")
	f.StringVar(&x.FirstDye, "first-dye", "", "dyestuff A")
	f.StringVar(&x.SecondDye, "second-dye", "", "dyestuff B")
	f.StringArrayVar(&arms, "arm", nil, "an arm: \"a then b\", \"b then a\", a, b, \"a then blank\", \"b then blank\" or undyed; repeated for each")
	f.Float64Var(&x.ToleranceDe00, "tolerance", 0, "smallest colour difference (CIEDE2000) that matters")
	f.Int32Var(&x.ClosingSessions, "closing-sessions", 0, "complete sessions at which the verdict is given")
	f.StringVar(&x.Instrument, "instrument", "", "the one instrument that reads")
	f.StringVar(&condition, "condition", "", "D65/10, D65/2, A/10 or A/2")
	f.StringVar(&asks, "asks", "", "what it asks: orders, waters, fibres, mordants or \"exhaust baths\"")
	f.StringArrayVar(&x.WaterSourceIds, "water", nil, "id of a water source compared, the first the one that others are held against; repeated for each; \"\" for none")
	f.StringArrayVar(&x.Values, "value", nil, "a fibre, set of mordants or bath compared, as answers call them; repeated for each; \"\" for none")
	f.StringVar(&figure, "water-figure", "", "the one figure of the waters held against their colours: hardness, alkalinity, ph or iron; \"\" for none")
	e.flags(c, "experiment", false)
	return a.writes(c)
}

func (a *app) experiment() *cobra.Command {
	create := a.writes(&cobra.Command{
		Use: "create FILE", Short: "Set a question, from a YAML or JSON file (coordinators)", Args: takes("FILE"),
		RunE: func(c *cobra.Command, args []string) error {
			e, err := fromFile(a, args[0], trialfile.ParseExperiment)
			if err != nil {
				return err
			}
			client, err := a.experiments(c.Context())
			if err != nil {
				return err
			}
			request := &labv1.CreateExperimentRequest{Experiment: e}
			request.RequestId = trialfile.RequestID(request, e.GetId())
			got, err := call(c.Context(), a, client.CreateExperiment, request)
			if err != nil {
				return err
			}
			return a.show(got, a.experimentLine(c.Context(), got))
		},
	})
	var deleted bool
	list := &cobra.Command{Use: "list", Short: "List experiments, newest first", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		client, err := a.experiments(c.Context())
		if err != nil {
			return err
		}
		all := &labv1.ListExperimentsResponse{}
		_, err = pages(0, func(token string, size int32) (string, int, error) {
			page, err := call(c.Context(), a, client.ListExperiments, &labv1.ListExperimentsRequest{PageSize: size, PageToken: token, Deleted: deleted})
			all.Experiments = append(all.Experiments, page.GetExperiments()...)
			return page.GetNextPageToken(), len(page.GetExperiments()), err
		})
		if err != nil {
			return err
		}
		return a.show(all, a.experimentGrid(a.waterNames(c.Context(), all.GetExperiments()...), all.GetExperiments()...))
	}}
	list.Flags().BoolVar(&deleted, "deleted", false, "list your deleted experiments, and no others")
	show := &cobra.Command{Use: "show ID", Short: "Show one experiment", Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
		e, err := a.experimentKeeper().get(c.Context(), args[0])
		if err != nil {
			return err
		}
		return a.show(e, a.experimentLine(c.Context(), e))
	}}
	all := groupOf("experiment", "Set, read, edit and delete the questions that get a verdict", create, list, show, a.experimentEdit())
	all.AddCommand(keepCommands(a, a.experimentKeeper())...)
	return all
}
