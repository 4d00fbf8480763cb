package cli

import (
	"context"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
	"github.com/commonvat/commonvat/clients/commonvat/internal/trialfile"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/spf13/cobra"
)

func (a *app) bathClient(ctx context.Context) (labv1.BathServiceClient, error) {
	conn, err := a.dial(ctx)
	if err != nil {
		return nil, err
	}
	return labv1.NewBathServiceClient(conn), nil
}

func (a *app) bath() *cobra.Command {
	c := groupOf("bath", "Keep baths: create, read, add to, edit, open to members, delete",
		a.bathCreate(), a.bathShow(), a.bathList(), a.bathAdd(), a.bathEdit(), a.bathOpen("open", "Let other members put pieces in", true),
		a.bathOpen("close", "Let no other member put pieces in", false))
	c.AddCommand(keepCommands(a, a.bathKeeper())...)
	return c
}

func bathGrid(title string, baths []*labv1.Bath) output.Grid {
	g := output.Grid{Title: title, Columns: []string{"id", "owner", "label", "purpose", "contents", "liquor", "open", "shared", "vessel", "deleted"}}
	for _, b := range baths {
		var purposes, contents []string
		for _, p := range b.GetPurposes() {
			purposes = append(purposes, words.Show(p))
		}
		for _, a := range b.GetAdditions() {
			if !a.GetSuperseded() {
				contents = append(contents, a.GetMaterial())
			}
		}
		if b.GetBlankOf() != "" {
			contents = append(contents, "blank of "+b.GetBlankOf())
		}
		if b.GetContentsNotStated() {
			contents = append(contents, words.NotStated)
		}
		g.Add(b.GetId(), b.GetOwner(), b.GetLabel(), strings.Join(purposes, ", "), strings.Join(contents, ", "), quantity.ShowAmount(b.GetLiquor()),
			b.GetOpenToMembers(), words.Show(b.GetSharing().GetLevel()), b.GetVessel(), stamp(b.GetDeleteTime()))
	}
	return g
}

func (a *app) showBath(b *labv1.Bath) error { return a.show(b, bathGrids(b)...) }

// bathGrids are a bath with its entries, to be read.
func bathGrids(b *labv1.Bath) []output.Grid {
	additions := output.Grid{Title: "additions", Columns: []string{"material", "role", "amount", "lot", "exhaust", "at", "by", "correction", "id", "density_kg_per_l"}}
	for _, x := range b.GetAdditions() {
		additions.Add(x.GetMaterial(), words.Show(x.GetRole()), quantity.ShowAmount(x.GetAmount()), x.GetLot(), exhaustIn(b, x.GetExhaust()),
			quantity.ShowTime(x.GetAt()), x.GetRecordedBy(), correction(x), x.GetId(), x.DensityKgPerL)
	}
	checks := output.Grid{Title: "checks", Columns: []string{"ph", "celsius", "exhaust", "at", "note", "correction", "id"}}
	for _, x := range b.GetChecks() {
		checks.Add(x.Ph, x.TemperatureC, exhaustIn(b, x.GetExhaust()), quantity.ShowTime(x.GetAt()), x.GetNote(), correction(x), x.GetId())
	}
	water := output.Grid{Title: "water", Columns: []string{"source", "sample", "parts"}}
	for _, x := range b.GetWaterParts() {
		water.Add(x.GetWaterSourceId(), x.GetWaterSampleId(), x.GetParts())
	}
	line := bathGrid("", []*labv1.Bath{b})
	line.Below = etagLine(b)
	return []output.Grid{line, additions, water, checks}
}

// fromFile reads a record from a file, with ids that are the same when the file is sent again.
func fromFile[T any](a *app, file string, parse func(data []byte, seed string) (T, error)) (T, error) {
	var none T
	data, err := a.readInput(file)
	if err != nil {
		return none, err
	}
	seed, err := a.fileSeed(file, data, false)
	if err != nil {
		return none, err
	}
	return parse(data, seed)
}

func (a *app) bathCreate() *cobra.Command {
	return a.writes(&cobra.Command{
		Use: "create FILE", Short: "Create a bath from a YAML or JSON file (- is standard input)", Args: takes("FILE"),
		RunE: func(c *cobra.Command, args []string) error {
			b, err := fromFile(a, args[0], trialfile.ParseBath)
			if err != nil {
				return err
			}
			client, err := a.bathClient(c.Context())
			if err != nil {
				return err
			}
			request := &labv1.CreateBathRequest{Bath: b}
			request.RequestId = trialfile.RequestID(request, b.GetId())
			got, err := call(c.Context(), a, client.CreateBath, request)
			if err != nil {
				return err
			}
			return a.showBath(got)
		},
	})
}

func (a *app) bathShow() *cobra.Command {
	return &cobra.Command{Use: "show BATH", Short: "Show a bath", Args: takes("BATH"), RunE: func(c *cobra.Command, args []string) error {
		client, err := a.bathClient(c.Context())
		if err != nil {
			return err
		}
		b, err := call(c.Context(), a, client.GetBath, &labv1.GetBathRequest{BathId: args[0]})
		if err != nil {
			return err
		}
		return a.showBath(b)
	}}
}

func (a *app) bathList() *cobra.Command {
	var limit int
	var filter string
	var deleted bool
	c := &cobra.Command{Use: "list", Short: "List baths that you may read, newest first", Args: takes(), Long: `List baths that you may read, newest first.

--filter takes a filter (https://google.aip.dev/160) over owner, label, purpose, material, water, sharing and open. For example:
commonvat bath list --filter 'material = "indigo" AND purpose = "vat" AND open = "yes"'`, RunE: func(c *cobra.Command, _ []string) error {
		if limit < 0 {
			return usage("--limit must be 0 or more")
		}
		client, err := a.bathClient(c.Context())
		if err != nil {
			return err
		}
		all := &labv1.ListBathsResponse{}
		more, err := pages(limit, func(token string, size int32) (string, int, error) {
			page, err := call(c.Context(), a, client.ListBaths, &labv1.ListBathsRequest{PageSize: size, PageToken: token, Filter: filter, Deleted: deleted})
			all.Baths = append(all.Baths, page.GetBaths()...)
			return page.GetNextPageToken(), len(page.GetBaths()), err
		})
		if err != nil {
			return err
		}
		if more {
			a.say("there are more; see --limit")
		}
		return a.show(all, bathGrid("", all.GetBaths()))
	}}
	c.Flags().StringVar(&filter, "filter", "", "show only the baths that fit")
	c.Flags().BoolVar(&deleted, "deleted", false, "list your deleted baths, and no others")
	c.Flags().IntVar(&limit, "limit", 50, "most baths to show; 0 shows all")
	return c
}

// bathEntry is what is entered into a bath: a material, or a check, or both.
type bathEntry struct {
	material, role, amount, density, lot, at, temperature, note string
	exhaust                                                     int32
	ph                                                          float64
	phGiven                                                     bool
	wrong                                                       wrongEntry
}

func (e *bathEntry) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&e.material, "material", "", "what went in: weld, alum, ...")
	f.StringVar(&e.role, "role", "", "what it does there: dye, mordant, tannin, assist or modifier")
	f.StringVar(&e.amount, "amount", "", "how much, with the unit: \"30 g\", \"estimated 5 g\", \"not known (a handful)\"")
	f.StringVar(&e.density, "density", "", "of a liquid, as a hydrometer shows it: \"1.06 kg/L\", \"12 °Tw\"")
	f.StringVar(&e.lot, "lot", "", "the batch of the material")
	f.Int32Var(&e.exhaust, "exhaust", 0, "0 for the fresh bath, n for exhaust bath n")
	f.StringVar(&e.at, "at", "", "when, for example \"2026-05-03 14:10 +02:00\"")
	f.Float64Var(&e.ph, "ph", 0, "measured pH")
	f.StringVar(&e.temperature, "temperature", "", "measured temperature: \"60 C\", \"140 F\"")
	f.StringVar(&e.note, "note", "", "a note")
	e.wrong.flags(c, "addition or check")
}

// into adds the entries to a request, whose id names them.
func (e *bathEntry) into(req *labv1.AddToBathRequest) error {
	when, err := flagTime("--at", e.at)
	if err != nil {
		return err
	}
	corrects, err := e.wrong.correction()
	if err != nil {
		return err
	}
	isCheck := e.phGiven || e.temperature != "" || e.note != ""
	if e.material == "" && !isCheck {
		return usage("give --material, or at least one of --ph, --temperature and --note")
	}
	if corrects != nil && e.material != "" && isCheck {
		return usage("--corrects stands for one entry: give either a material or a check")
	}
	if e.material != "" {
		x := &labv1.Addition{Id: ids.Derive(req.GetRequestId(), "addition"), Material: e.material, Lot: e.lot, Exhaust: e.exhaust, At: when, Corrects: corrects}
		if x.Role, err = words.Parse[labv1.AdditionRole](e.role); err != nil {
			return usage("--role: %v", err)
		}
		if x.Amount, err = quantity.Amount(e.amount, quantity.MassOrVolume, ""); err != nil {
			return usage("--amount: %v", err)
		}
		if e.density != "" {
			v, err := quantity.Density(e.density)
			if err != nil {
				return usage("--density: %v", err)
			}
			x.DensityKgPerL = &v
		}
		req.Additions = []*labv1.Addition{x}
	}
	if !isCheck {
		return nil
	}
	x := &labv1.Check{Id: ids.Derive(req.GetRequestId(), "check"), Exhaust: e.exhaust, At: when, Note: e.note, Corrects: corrects}
	if e.phGiven {
		if !(e.ph >= 0 && e.ph <= 14) { // so that NaN is refused too
			return usage("--ph: %g is out of range; allowed: 0 to 14", e.ph)
		}
		x.Ph = &e.ph
	}
	if e.temperature != "" {
		v, err := quantity.Celsius(e.temperature)
		if err != nil {
			return usage("--temperature: %v", err)
		}
		x.TemperatureC = &v
	}
	req.Checks = []*labv1.Check{x}
	return nil
}

func (a *app) bathAdd() *cobra.Command {
	var entry bathEntry
	c := &cobra.Command{
		Use: "add BATH (--material M --role R --amount A | --ph N --temperature T --note TEXT)", Short: "Add a material to a bath, or a check of it",
		Args: takes("BATH"), RunE: func(c *cobra.Command, args []string) error {
			seed, err := a.seed()
			if err != nil {
				return err
			}
			req := &labv1.AddToBathRequest{RequestId: seed, BathId: args[0], Etag: quoted(a.etag)}
			entry.phGiven = c.Flags().Changed("ph")
			if err := entry.into(req); err != nil {
				return err
			}
			client, err := a.bathClient(c.Context())
			if err != nil {
				return err
			}
			b, err := call(c.Context(), a, client.AddToBath, req)
			if err != nil {
				return err
			}
			return a.showBath(b)
		},
	}
	entry.flags(c)
	return a.adds(c, "bath")
}

func (a *app) bathOpen(use, short string, open bool) *cobra.Command {
	return a.adds(&cobra.Command{Use: use + " BATH", Short: short, Args: takes("BATH"), RunE: func(c *cobra.Command, args []string) error {
		seed, err := a.seed()
		if err != nil {
			return err
		}
		client, err := a.bathClient(c.Context())
		if err != nil {
			return err
		}
		b, err := call(c.Context(), a, client.AddToBath, &labv1.AddToBathRequest{RequestId: seed, BathId: args[0], Etag: quoted(a.etag), OpenToMembers: &open})
		if err != nil {
			return err
		}
		return a.showBath(b)
	}}, "bath")
}
