package cli

import (
	"context"
	"fmt"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/bulk"
	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

func (a *app) piece() *cobra.Command {
	return groupOf("piece", "Show pieces, split them, take parts, put them into baths, post them",
		a.pieceShow(), a.pieceSplit(), a.pieceTake(), a.pieceSend(), a.piecePost())
}

// findPiece reads a piece by id or code.
func (a *app) findPiece(ctx context.Context, ref string) (labv1.TrialServiceClient, *labv1.Piece, error) {
	client, err := a.trials(ctx)
	if err != nil {
		return nil, nil, err
	}
	p, err := call(ctx, a, client.GetPiece, &labv1.GetPieceRequest{Piece: ref})
	return client, p, err
}

func (a *app) pieceShow() *cobra.Command {
	return &cobra.Command{Use: "show PIECE", Short: "Show a piece, by id or code, with its derived route", Args: takes("PIECE"), RunE: func(c *cobra.Command, args []string) error {
		_, p, err := a.findPiece(c.Context(), args[0])
		if err != nil {
			return err
		}
		return a.showPiece(p)
	}}
}

func (a *app) showPiece(p *labv1.Piece) error {
	layers := output.Grid{Title: "layers", Columns: []string{"layer", "purpose", "materials", "exhaust", "depth", "percent_wof", "dips", "g_per_l", "water", "bath"}}
	for i, l := range p.GetRoute().GetLayers() {
		var purposes, materials []string
		for _, u := range l.GetPurposes() {
			purposes = append(purposes, words.Show(u))
		}
		for _, m := range l.GetMaterials() {
			materials = append(materials, m.GetMaterial())
		}
		if l.GetBlankOf() != "" {
			materials = append(materials, "blank of "+l.GetBlankOf())
		}
		if l.GetContentsNotStated() {
			materials = append(materials, words.NotStated)
		}
		layers.Add(i+1, strings.Join(purposes, ", "), strings.Join(materials, ", "), exhaust(l.GetExhaust(), l.GetExhaustNumberNotStated(), l.GetExhaustNotStated()),
			words.Show(labv1.Depth(l.GetIntendedDepth())), l.DeliveredPercentWof, l.GetDips(), l.ConcentrationGPerL, l.GetWater(), l.GetBathId())
	}
	return a.show(p, pieceGrid("", []*labv1.Piece{p}), layers)
}

func exhaust(n int32, numberNotStated, notStated bool) string {
	switch {
	case notStated:
		return words.NotStated
	case numberNotStated:
		return "number not stated"
	case n == 0:
		return "fresh"
	}
	return fmt.Sprint(n)
}

// lastPosition finds the number of a piece's own immersions, and the position of an immersion made before under id.
func (a *app) lastPosition(ctx context.Context, client labv1.TrialServiceClient, p *labv1.Piece, id string) (last, before int32, err error) {
	t, err := call(ctx, a, client.GetTrial, &labv1.GetTrialRequest{TrialId: p.GetTrialId()})
	if status.Code(err) == codes.NotFound {
		return 0, 0, usage("the trial of piece %s isn't readable for you, so its history must be told: add --position or --after", p.GetCode())
	}
	for _, m := range t.GetImmersions() {
		if m.GetId() == id {
			before = m.GetPosition()
		}
		if m.GetPieceId() == p.GetId() && !m.GetSuperseded() {
			last = max(last, m.GetPosition())
		}
	}
	return last, before, err
}

// parts makes the entry that splits a piece or takes parts of it.
func (a *app) parts(ctx context.Context, ref string, kind labv1.OriginKind, masses, labels []string, after int32, into string) error {
	if len(labels) > 0 && len(labels) != len(masses) {
		return usage("--label is given once for each --mass, or not at all")
	}
	amounts := make([]*typesv1.Amount, len(masses))
	for i, m := range masses {
		var err error
		if amounts[i], err = quantity.Amount(m, quantity.Mass, "g"); err != nil {
			return usage("--mass: %v", err)
		}
	}
	client, p, err := a.findPiece(ctx, ref)
	if err != nil {
		return err
	}
	seed, err := a.seed()
	if err != nil {
		return err
	}
	if after < 0 {
		if after, _, err = a.lastPosition(ctx, client, p, ""); err != nil {
			return err
		}
	}
	if into == "" {
		into = p.GetTrialId()
	}
	req := &labv1.AddEntriesRequest{RequestId: seed, TrialId: into}
	for i, m := range amounts {
		part := &labv1.Piece{Id: ids.Derive(seed, "piece", fmt.Sprint(i)), Mass: m, WeighingBasis: p.GetWeighingBasis(),
			Origin: &labv1.PieceOrigin{ParentPieceId: p.GetId(), Kind: kind, AfterPosition: after}}
		if into == p.GetTrialId() {
			part.SessionId = p.GetSessionId()
		}
		if len(labels) > 0 {
			part.Label = labels[i]
		}
		req.Pieces = append(req.Pieces, part)
	}
	t, err := call(ctx, a, client.AddEntries, req)
	if err != nil {
		return err
	}
	made := map[string]bool{}
	for _, part := range req.Pieces {
		made[part.GetId()] = true
	}
	var shown []*labv1.Piece
	for _, have := range t.GetPieces() {
		if made[have.GetId()] {
			shown = append(shown, have)
		}
	}
	a.sayWarnings(t, made)
	return a.show(t, pieceGrid("parts of "+p.GetCode(), shown))
}

func (a *app) sayWarnings(t *labv1.Trial, of map[string]bool) {
	for _, w := range t.GetWarnings() {
		if of[w.GetEntryId()] {
			a.say("note: %s", output.Clean(w.GetText()))
		}
	}
}

func (a *app) pieceSplit() *cobra.Command {
	var masses, labels []string
	var after int32
	var into string
	c := &cobra.Command{
		Use: "split PIECE --mass 7.1 --mass 7.0", Short: "Split a piece: it ends, its parts go on",
		Args: takes("PIECE"), RunE: func(c *cobra.Command, args []string) error {
			if len(masses) < 2 {
				return usage("--mass is given at least twice, once for each part")
			}
			return a.parts(c.Context(), args[0], labv1.OriginKind_ORIGIN_KIND_SPLIT, masses, labels, after, into)
		},
	}
	partFlags(c, &masses, &labels, &after, &into)
	return a.writes(c)
}

func (a *app) pieceTake() *cobra.Command {
	var masses, labels []string
	var after int32
	var into string
	c := &cobra.Command{
		Use: "take PIECE --mass 3", Short: "Take a part of a piece: it goes on, lighter",
		Args: takes("PIECE"), RunE: func(c *cobra.Command, args []string) error {
			if len(masses) < 1 {
				return usage("--mass is required")
			}
			return a.parts(c.Context(), args[0], labv1.OriginKind_ORIGIN_KIND_TAKEN, masses, labels, after, into)
		},
	}
	partFlags(c, &masses, &labels, &after, &into)
	return a.writes(c)
}

func partFlags(c *cobra.Command, masses, labels *[]string, after *int32, into *string) {
	c.Flags().StringArrayVar(masses, "mass", nil, "mass of a part, in grams if no unit is given; \"not known\" is allowed")
	c.Flags().StringArrayVar(labels, "label", nil, "label of a part, in the order of --mass")
	c.Flags().Int32Var(after, "after", -1, "how many of the piece's own immersions the parts have shared (default: all)")
	c.Flags().StringVar(into, "into-trial", "", "id of the trial that takes the parts (default: the piece's own)")
}

func (a *app) pieceSend() *cobra.Command {
	var bath, depth, entered, left, note string
	var exhaust, dips, position int32
	c := &cobra.Command{
		Use: "send PIECE --bath BATH", Short: "Put a piece into a bath, your own or another member's open one",
		Args: takes("PIECE"), RunE: func(c *cobra.Command, args []string) error {
			if bath == "" {
				return usage("--bath is required: the bath's id (see: commonvat bath list)")
			}
			m := &labv1.Immersion{BathId: bath, Exhaust: exhaust, Dips: dips, Position: position, Note: note}
			var err error
			if depth != "" {
				if m.IntendedDepth, err = words.Parse[labv1.Depth](depth); err != nil {
					return usage("--depth: %v", err)
				}
			}
			if m.Entered, err = flagTime("--entered", entered); err != nil {
				return err
			}
			if m.Left, err = flagTime("--left", left); err != nil {
				return err
			}
			client, p, err := a.findPiece(c.Context(), args[0])
			if err != nil {
				return err
			}
			seed, err := a.seed()
			if err != nil {
				return err
			}
			m.Id, m.PieceId = ids.Derive(seed, "immersion"), p.GetId()
			if position == 0 {
				last, before, err := a.lastPosition(c.Context(), client, p, m.GetId())
				if err != nil {
					return err
				}
				if m.Position = last + 1; before > 0 {
					m.Position = before // it got there when the request was sent before
				}
			}
			_, err = call(c.Context(), a, client.AddEntries, &labv1.AddEntriesRequest{RequestId: seed, TrialId: p.GetTrialId(), Immersions: []*labv1.Immersion{m}})
			if err != nil {
				return err
			}
			if p, err = call(c.Context(), a, client.GetPiece, &labv1.GetPieceRequest{Piece: p.GetId()}); err != nil {
				return err
			}
			return a.showPiece(p)
		},
	}
	f := c.Flags()
	f.StringVar(&bath, "bath", "", "id of the bath (required)")
	f.Int32Var(&exhaust, "exhaust", 0, "0 for the fresh bath, n for exhaust bath n")
	f.Int32Var(&dips, "dips", 0, "dips, in a vat")
	f.Int32Var(&position, "position", 0, "place in the piece's own order (default: after the last)")
	f.StringVar(&depth, "depth", "", "wanted depth: pale, medium or deep")
	f.StringVar(&entered, "entered", "", "when it went in, for example \"2026-05-03 14:10 +02:00\"")
	f.StringVar(&left, "left", "", "when it came out")
	f.StringVar(&note, "note", "", "a note")
	return a.writes(c)
}

func flagTime(flag, text string) (*typesv1.ClaimedTime, error) {
	if text == "" {
		return nil, nil
	}
	t, err := quantity.Time(text, "")
	if err != nil {
		return nil, usage("%s: %v", flag, err)
	}
	return t, nil
}

func (a *app) piecePost() *cobra.Command {
	var to string
	c := &cobra.Command{Use: "post PIECE --to MEMBER", Short: "Hand a piece to another member", Args: takes("PIECE"), RunE: func(c *cobra.Command, args []string) error {
		if to == "" {
			return usage("--to is required: a member's id (see: commonvat members)")
		}
		client, p, err := a.findPiece(c.Context(), args[0])
		if err != nil {
			return err
		}
		seed, err := a.seed()
		if err != nil {
			return err
		}
		if p, err = call(c.Context(), a, client.PostPiece, &labv1.PostPieceRequest{RequestId: seed, PieceId: p.GetId(), ToMember: to}); err != nil {
			return err
		}
		return a.showPiece(p)
	}}
	c.Flags().StringVar(&to, "to", "", "id of the member who gets it (required)")
	return a.writes(c)
}

func (a *app) look() *cobra.Command {
	var piece, bath, trial, text, at string
	add := &cobra.Command{
		Use: "add --piece PIECE --text TEXT", Short: "Take down what was seen of a piece or a bath",
		Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
			if text == "" || (piece == "") == (bath == "") {
				return usage("--text is required, and one of --piece and --bath")
			}
			if bath != "" && trial == "" {
				return usage("--trial is required with --bath: the trial that keeps the look")
			}
			l := &labv1.Look{Text: text}
			var err error
			if l.At, err = flagTime("--at", at); err != nil {
				return err
			}
			client, err := a.trials(c.Context())
			if err != nil {
				return err
			}
			if piece != "" {
				_, p, err := a.findPiece(c.Context(), piece)
				if err != nil {
					return err
				}
				l.Of = &labv1.Look_PieceId{PieceId: p.GetId()}
				if trial == "" {
					trial = p.GetTrialId()
				}
			} else {
				l.Of = &labv1.Look_BathId{BathId: bath}
			}
			seed, err := a.seed()
			if err != nil {
				return err
			}
			l.Id = ids.Derive(seed, "look")
			t, err := call(c.Context(), a, client.AddEntries, &labv1.AddEntriesRequest{RequestId: seed, TrialId: trial, Looks: []*labv1.Look{l}})
			if err != nil {
				return err
			}
			return a.show(t, entryGrid("look", l.GetId(), t))
		},
	}
	f := add.Flags()
	f.StringVar(&piece, "piece", "", "id or code of the piece")
	f.StringVar(&bath, "bath", "", "id of the bath")
	f.StringVar(&trial, "trial", "", "id of the trial that keeps it (default: the piece's)")
	f.StringVar(&text, "text", "", "what was seen (required)")
	f.StringVar(&at, "at", "", "when, for example \"2026-05-03 14:10 +02:00\"")
	return groupOf("look", "Take down what was seen", a.writes(add))
}

func entryGrid(kind, id string, t *labv1.Trial) output.Grid {
	g := output.Grid{Columns: []string{"entry", "id", "trial", "title"}}
	g.Add(kind, id, t.GetId(), t.GetTitle())
	return g
}

func (a *app) readingCommand() *cobra.Command {
	var lab, condition, spectrum, specular, state, instrument, geometry, at string
	var age int32
	var percent bool
	add := &cobra.Command{
		Use: "add PIECE (--lab L,a,b --condition D65/10 | --spectrum FILE)", Short: "Add a colour reading of a piece",
		Args: takes("PIECE"), RunE: func(c *cobra.Command, args []string) error {
			r := &labv1.Reading{Raw: &typesv1.RawColour{}, Instrument: instrument, Geometry: geometry}
			var err error
			if (lab == "") == (spectrum == "") {
				return usage("give either --lab (with --condition) or --spectrum")
			}
			if lab != "" {
				if r.Raw, err = labOf(lab, condition); err != nil {
					return err
				}
			} else {
				if condition != "" {
					return usage("--condition belongs to --lab: from a spectrum colour under any condition can be computed")
				}
				data, err := a.readInput(spectrum)
				if err != nil {
					return err
				}
				s, err := bulk.ReadSpectrum(data, percent)
				if err != nil {
					return input("%s: %v", spectrum, err)
				}
				r.Raw.Value = &typesv1.RawColour_Spectrum{Spectrum: s}
			}
			if specular != "" {
				if r.Specular, err = words.Parse[typesv1.SpecularMode](specular); err != nil {
					return usage("--specular: %v", err)
				}
			}
			if state != "" {
				if r.State, err = words.Parse[labv1.PieceState](state); err != nil {
					return usage("--state: %v", err)
				}
			}
			if c.Flags().Changed("age-days") {
				r.AgeDays = &age
			}
			if r.At, err = flagTime("--at", at); err != nil {
				return err
			}
			client, p, err := a.findPiece(c.Context(), args[0])
			if err != nil {
				return err
			}
			seed, err := a.seed()
			if err != nil {
				return err
			}
			r.Id, r.PieceId = ids.Derive(seed, "reading"), p.GetId()
			t, err := call(c.Context(), a, client.AddEntries, &labv1.AddEntriesRequest{RequestId: seed, TrialId: p.GetTrialId(), Readings: []*labv1.Reading{r}})
			if err != nil {
				return err
			}
			return a.show(t, entryGrid("reading", r.GetId(), t))
		},
	}
	f := add.Flags()
	f.StringVar(&lab, "lab", "", "L*,a*,b*, for example 72.3,-4.1,48.9")
	f.StringVar(&condition, "condition", "", "what the L*a*b* holds for: D65/10, D65/2, A/10 or A/2")
	f.StringVar(&spectrum, "spectrum", "", "CSV file with wavelength in nm and reflectance in each line, at equal steps (- is standard input)")
	f.BoolVar(&percent, "percent", false, "the spectrum is in percent, not in factors")
	f.StringVar(&specular, "specular", "", "whether gloss counted: included or excluded")
	f.StringVar(&state, "state", "", "state of the piece: wet, damp, dry, finished, washed or exposed")
	f.Int32Var(&age, "age-days", 0, "whole days since the last dyeing")
	f.StringVar(&instrument, "instrument", "", "name of the instrument in the cooperative")
	f.StringVar(&geometry, "geometry", "", "45/0, d/8, ...")
	f.StringVar(&at, "at", "", "when, for example 2026-05-20")
	return groupOf("reading", "Add colour readings", a.writes(add))
}

func labOf(text, condition string) (*typesv1.RawColour, error) {
	c, err := words.Condition(condition)
	if err != nil {
		return nil, usage("--condition is required with --lab: %v", err)
	}
	parts := strings.Split(text, ",")
	if len(parts) != 3 {
		return nil, usage("--lab: %q must be three figures: L*,a*,b*", text)
	}
	var v [3]float64
	for i, p := range parts {
		var ok bool
		if v[i], ok = document.Decimal(strings.TrimSpace(p)); !ok {
			return nil, usage("--lab: %q is not a decimal number", p)
		}
	}
	return &typesv1.RawColour{Value: &typesv1.RawColour_Lab{Lab: &typesv1.Lab{L: v[0], A: v[1], B: v[2]}}, LabCondition: c}, nil
}
