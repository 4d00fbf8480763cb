package cli

import (
	"context"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
	"github.com/commonvat/commonvat/clients/commonvat/internal/trialfile"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/spf13/cobra"
)

func (a *app) waterClient(ctx context.Context) (labv1.WaterServiceClient, error) {
	conn, err := a.dial(ctx)
	if err != nil {
		return nil, err
	}
	return labv1.NewWaterServiceClient(conn), nil
}

func (a *app) water() *cobra.Command {
	return groupOf("water", "Keep water sources and their samples", a.waterAdd(), a.waterSample(), a.waterList())
}

func waterGrid(sources []*labv1.WaterSource) output.Grid {
	g := output.Grid{Columns: []string{"id", "name", "kind", "owner", "common", "sample", "taken", "hardness_mg_per_l", "alkalinity_mg_per_l", "ph", "iron_mg_per_l"}}
	for _, s := range sources {
		if len(s.GetSamples()) == 0 {
			g.Add(s.GetId(), s.GetName(), s.GetKind(), s.GetOwner(), s.GetCommon(), "", "", nil, nil, nil, nil)
		}
		for _, x := range s.GetSamples() {
			g.Add(s.GetId(), s.GetName(), s.GetKind(), s.GetOwner(), s.GetCommon(), x.GetId(), quantity.ShowTime(x.GetTaken()),
				x.HardnessMgPerL, x.AlkalinityMgPerL, x.Ph, x.IronMgPerL)
		}
	}
	return g
}

// sampleFlags are the figures of a sample; what isn't given was not measured.
type sampleFlags struct{ hardness, alkalinity, ph, iron, taken string }

func (s *sampleFlags) add(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&s.hardness, "hardness", "", "total hardness as calcium carbonate, mg/L")
	f.StringVar(&s.alkalinity, "alkalinity", "", "alkalinity as calcium carbonate, mg/L")
	f.StringVar(&s.ph, "ph", "", "pH")
	f.StringVar(&s.iron, "iron", "", "iron, mg/L")
	f.StringVar(&s.taken, "taken", "", "when it was taken, for example 2026-05-03")
}

func (s *sampleFlags) given() bool { return s.hardness+s.alkalinity+s.ph+s.iron+s.taken != "" }

func (s *sampleFlags) sample(id string) (*labv1.WaterSample, error) {
	out := &labv1.WaterSample{Id: id}
	var err error
	if out.Taken, err = flagTime("--taken", s.taken); err != nil {
		return nil, err
	}
	for _, x := range []struct {
		flag, text string
		to         **float64
		most       float64
	}{
		{"--hardness", s.hardness, &out.HardnessMgPerL, 5000}, {"--alkalinity", s.alkalinity, &out.AlkalinityMgPerL, 5000},
		{"--ph", s.ph, &out.Ph, 14}, {"--iron", s.iron, &out.IronMgPerL, 500},
	} {
		if x.text == "" {
			continue
		}
		v, ok := document.Decimal(x.text)
		if !ok || v < 0 || v > x.most {
			return nil, usage("%s: %q must be a number from 0 to %g", x.flag, x.text, x.most)
		}
		*x.to = &v
	}
	return out, nil
}

func (a *app) waterAdd() *cobra.Command {
	var kind, place string
	var common bool
	var figures sampleFlags
	c := &cobra.Command{Use: "add NAME", Short: "Add a water source, with a first sample if figures are given", Args: takes("NAME"), RunE: func(c *cobra.Command, args []string) error {
		seed, err := a.seed()
		if err != nil {
			return err
		}
		w := &labv1.WaterSource{Id: ids.Derive(seed, "water"), Name: args[0], Kind: kind, Place: place, Common: common}
		if figures.given() {
			s, err := figures.sample(ids.Derive(seed, "sample"))
			if err != nil {
				return err
			}
			w.Samples = []*labv1.WaterSample{s}
		}
		client, err := a.waterClient(c.Context())
		if err != nil {
			return err
		}
		got, err := call(c.Context(), a, client.CreateWaterSource, &labv1.CreateWaterSourceRequest{RequestId: seed, WaterSource: w})
		if err != nil {
			return err
		}
		return a.show(got, waterGrid([]*labv1.WaterSource{got}))
	}}
	c.Flags().StringVar(&kind, "kind", "", "well, tap, rain, river, demineralised, ...")
	c.Flags().StringVar(&place, "place", "", "where it is; shown to you alone")
	c.Flags().BoolVar(&common, "common", false, "every member can get this water")
	figures.add(c)
	return a.writes(c)
}

func (a *app) waterSample() *cobra.Command {
	var figures sampleFlags
	c := &cobra.Command{Use: "sample SOURCE", Short: "Add a dated sample to a water source of yours", Args: takes("SOURCE"), RunE: func(c *cobra.Command, args []string) error {
		if !figures.given() {
			return usage("give at least one of --hardness, --alkalinity, --ph, --iron, --taken")
		}
		seed, err := a.seed()
		if err != nil {
			return err
		}
		s, err := figures.sample(ids.Derive(seed, "sample"))
		if err != nil {
			return err
		}
		client, err := a.waterClient(c.Context())
		if err != nil {
			return err
		}
		got, err := call(c.Context(), a, client.AddWaterSample, &labv1.AddWaterSampleRequest{RequestId: seed, WaterSourceId: args[0], Sample: s})
		if err != nil {
			return err
		}
		return a.show(got, waterGrid([]*labv1.WaterSource{got}))
	}}
	figures.add(c)
	return a.writes(c)
}

func (a *app) waterList() *cobra.Command {
	return &cobra.Command{Use: "list", Short: "List the water sources of the cooperative", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		client, err := a.waterClient(c.Context())
		if err != nil {
			return err
		}
		all := &labv1.ListWaterSourcesResponse{}
		_, err = pages(0, func(token string, size int32) (string, int, error) {
			page, err := call(c.Context(), a, client.ListWaterSources, &labv1.ListWaterSourcesRequest{PageSize: size, PageToken: token})
			all.WaterSources = append(all.WaterSources, page.GetWaterSources()...)
			return page.GetNextPageToken(), len(page.GetWaterSources()), err
		})
		if err != nil {
			return err
		}
		return a.show(all, waterGrid(all.GetWaterSources()))
	}}
}

func (a *app) experiments(ctx context.Context) (labv1.ExperimentServiceClient, error) {
	conn, err := a.dial(ctx)
	if err != nil {
		return nil, err
	}
	return labv1.NewExperimentServiceClient(conn), nil
}

func experimentGrid(list ...*labv1.Experiment) output.Grid {
	g := output.Grid{Columns: []string{"id", "title", "first_dye", "second_dye", "arms", "tolerance_de00", "closing_sessions", "instrument", "condition", "owner"}}
	for _, e := range list {
		arms := ""
		for i, x := range e.GetArms() {
			if i > 0 {
				arms += ", "
			}
			arms += words.Show(x)
		}
		g.Add(e.GetId(), e.GetTitle(), e.GetFirstDye(), e.GetSecondDye(), arms, e.GetToleranceDe00(), e.GetClosingSessions(), e.GetInstrument(),
			words.ShowCondition(e.GetCondition()), e.GetOwner())
	}
	return g
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
			return a.show(got, experimentGrid(got))
		},
	})
	list := &cobra.Command{Use: "list", Short: "List experiments, newest first", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		client, err := a.experiments(c.Context())
		if err != nil {
			return err
		}
		all := &labv1.ListExperimentsResponse{}
		_, err = pages(0, func(token string, size int32) (string, int, error) {
			page, err := call(c.Context(), a, client.ListExperiments, &labv1.ListExperimentsRequest{PageSize: size, PageToken: token})
			all.Experiments = append(all.Experiments, page.GetExperiments()...)
			return page.GetNextPageToken(), len(page.GetExperiments()), err
		})
		if err != nil {
			return err
		}
		return a.show(all, experimentGrid(all.GetExperiments()...))
	}}
	show := &cobra.Command{Use: "show ID", Short: "Show one experiment", Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
		client, err := a.experiments(c.Context())
		if err != nil {
			return err
		}
		e, err := call(c.Context(), a, client.GetExperiment, &labv1.GetExperimentRequest{ExperimentId: args[0]})
		if err != nil {
			return err
		}
		return a.show(e, experimentGrid(e))
	}}
	return groupOf("experiment", "Set and read the questions that get a verdict", create, list, show)
}
