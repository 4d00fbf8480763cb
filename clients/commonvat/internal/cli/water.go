package cli

import (
	"context"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
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
	c := groupOf("water", "Keep water sources and their samples", a.waterAdd(), a.waterSample(), a.waterList(), a.waterShow(), a.waterEdit())
	c.AddCommand(keepCommands(a, a.waterKeeper())...)
	return c
}

func (a *app) waterKeeper() keeper[*labv1.WaterSource] {
	return keeper[*labv1.WaterSource]{
		noun: "water", kind: labv1.RecordKind_RECORD_KIND_WATER_SOURCE,
		get: func(ctx context.Context, id string) (*labv1.WaterSource, error) {
			client, err := a.waterClient(ctx)
			if err != nil {
				return nil, err
			}
			return call(ctx, a, client.GetWaterSource, &labv1.GetWaterSourceRequest{WaterSourceId: id})
		},
		remove: func(ctx context.Context, requestID, id, etag, reason string) (*labv1.WaterSource, error) {
			client, err := a.waterClient(ctx)
			if err != nil {
				return nil, err
			}
			return call(ctx, a, client.DeleteWaterSource, &labv1.DeleteWaterSourceRequest{RequestId: requestID, WaterSourceId: id, Etag: etag, Reason: reason})
		},
		restore: func(ctx context.Context, requestID, id, etag string) (*labv1.WaterSource, error) {
			client, err := a.waterClient(ctx)
			if err != nil {
				return nil, err
			}
			return call(ctx, a, client.UndeleteWaterSource, &labv1.UndeleteWaterSourceRequest{RequestId: requestID, WaterSourceId: id, Etag: etag})
		},
		show: func(_ context.Context, w *labv1.WaterSource) error { return a.showWater(w) },
		grids: func(_ context.Context, v *labv1.GetVersionResponse) []output.Grid {
			return []output.Grid{waterLine(v.GetWaterSource())}
		},
	}
}

// waterLine is one source with its samples.
func waterLine(w *labv1.WaterSource) output.Grid {
	g := waterGrid([]*labv1.WaterSource{w})
	g.Below = etagLine(w)
	return g
}

func (a *app) showWater(w *labv1.WaterSource) error { return a.show(w, waterLine(w)) }

func (a *app) waterShow() *cobra.Command {
	return &cobra.Command{Use: "show ID", Short: "Show a water source with its samples", Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
		w, err := a.waterKeeper().get(c.Context(), args[0])
		if err != nil {
			return err
		}
		return a.showWater(w)
	}}
}

func (a *app) waterEdit() *cobra.Command {
	w := &labv1.WaterSource{}
	var e edit
	c := &cobra.Command{
		Use: "edit ID --name TEXT", Short: "Change what a water source of yours says of itself; what it said stays in its history",
		Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
			if err := e.take(c, [][2]string{{"name", "name"}, {"kind", "kind"}, {"place", "place"}, {"place-shown", "place_shown"}, {"common", "common"}}); err != nil {
				return err
			}
			w.Id = args[0]
			client, err := a.waterClient(c.Context())
			if err != nil {
				return err
			}
			return send(c.Context(), a, a.waterKeeper(), args[0], &e, func(requestID, etag string) (*labv1.WaterSource, error) {
				return call(c.Context(), a, client.UpdateWaterSource, &labv1.UpdateWaterSourceRequest{RequestId: requestID, Etag: etag, Reason: e.reason, WaterSource: w, UpdateMask: &e.mask})
			})
		},
	}
	f := c.Flags()
	f.StringVar(&w.Name, "name", "", "the name in the cooperative")
	f.StringVar(&w.Kind, "kind", "", "well, tap, rain, river, demineralised, ...; \"\" takes it away")
	f.StringVar(&w.Place, "place", "", "where it is; \"\" takes it away")
	f.BoolVar(&w.PlaceShown, "place-shown", false, "every member may read the place (=false: it is yours alone)")
	f.BoolVar(&w.Common, "common", false, "every member can get this water (=false: they can't)")
	e.flags(c, "water", false)
	return a.writes(c)
}

func waterGrid(sources []*labv1.WaterSource) output.Grid {
	g := output.Grid{Columns: []string{"id", "name", "kind", "owner", "common", "sample", "taken", "hardness_mg_per_l", "alkalinity_mg_per_l", "ph", "iron_mg_per_l", "correction", "place", "deleted"}}
	for _, s := range sources {
		if len(s.GetSamples()) == 0 {
			g.Add(s.GetId(), s.GetName(), s.GetKind(), s.GetOwner(), s.GetCommon(), "", "", nil, nil, nil, nil, "", s.GetPlace(), stamp(s.GetDeleteTime()))
		}
		for _, x := range s.GetSamples() {
			g.Add(s.GetId(), s.GetName(), s.GetKind(), s.GetOwner(), s.GetCommon(), x.GetId(), quantity.ShowTime(x.GetTaken()),
				x.HardnessMgPerL, x.AlkalinityMgPerL, x.Ph, x.IronMgPerL, correction(x), s.GetPlace(), stamp(s.GetDeleteTime()))
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
	var common, shown bool
	var figures sampleFlags
	c := &cobra.Command{Use: "add NAME", Short: "Add a water source, with a first sample if figures are given", Args: takes("NAME"), RunE: func(c *cobra.Command, args []string) error {
		seed, err := a.seed()
		if err != nil {
			return err
		}
		w := &labv1.WaterSource{Id: ids.Derive(seed, "water"), Name: args[0], Kind: kind, Place: place, PlaceShown: shown, Common: common}
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
		return a.showWater(got)
	}}
	c.Flags().StringVar(&kind, "kind", "", "well, tap, rain, river, demineralised, ...")
	c.Flags().StringVar(&place, "place", "", "where it is; shown to you alone, unless --place-shown")
	c.Flags().BoolVar(&shown, "place-shown", false, "every member may read the place")
	c.Flags().BoolVar(&common, "common", false, "every member can get this water")
	figures.add(c)
	return a.writes(c)
}

func (a *app) waterSample() *cobra.Command {
	var figures sampleFlags
	var wrong wrongEntry
	c := &cobra.Command{Use: "sample SOURCE", Short: "Add a dated sample to a water source of yours, or put a wrong one right", Args: takes("SOURCE"), RunE: func(c *cobra.Command, args []string) error {
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
		if s.Corrects, err = wrong.correction(); err != nil {
			return err
		}
		client, err := a.waterClient(c.Context())
		if err != nil {
			return err
		}
		got, err := call(c.Context(), a, client.AddWaterSample, &labv1.AddWaterSampleRequest{RequestId: seed, WaterSourceId: args[0], Etag: quoted(a.etag), Sample: s})
		if err != nil {
			return err
		}
		return a.showWater(got)
	}}
	figures.add(c)
	wrong.flags(c, "sample")
	return a.adds(c, "water")
}

func (a *app) waterList() *cobra.Command {
	var deleted bool
	c := &cobra.Command{Use: "list", Short: "List the water sources of the cooperative", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		all, err := a.waterSources(c.Context(), deleted)
		if err != nil {
			return err
		}
		return a.show(all, waterGrid(all.GetWaterSources()))
	}}
	c.Flags().BoolVar(&deleted, "deleted", false, "list your deleted water sources, and no others")
	return c
}

// waterSources reads those of the cooperative, or one's own deleted ones, page by page.
func (a *app) waterSources(ctx context.Context, deleted bool) (*labv1.ListWaterSourcesResponse, error) {
	client, err := a.waterClient(ctx)
	if err != nil {
		return nil, err
	}
	all := &labv1.ListWaterSourcesResponse{}
	_, err = pages(0, func(token string, size int32) (string, int, error) {
		page, err := call(ctx, a, client.ListWaterSources, &labv1.ListWaterSourcesRequest{PageSize: size, PageToken: token, Deleted: deleted})
		all.WaterSources = append(all.WaterSources, page.GetWaterSources()...)
		return page.GetNextPageToken(), len(page.GetWaterSources()), err
	})
	return all, err
}
