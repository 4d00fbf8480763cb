package cli

import (
	"context"
	"fmt"
	"strings"

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
		a.pieceShow(), a.pieceSplit(), a.pieceTake(), a.pieceSend(), a.piecePost(), a.pieceCorrect())
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
			words.Show(labv1.Depth(l.GetIntendedDepth())), l.DeliveredPercentWof, orNothing(l.GetDips()), l.ConcentrationGPerL, l.GetWater(), l.GetBathId())
	}
	corrected := output.Grid{Title: "put right", Columns: []string{"mass_before", "label_before", "fibre_before", "reason", "by", "recorded"}}
	for _, x := range p.GetCorrections() {
		corrected.Add(quantity.ShowAmount(x.GetMassBefore()), labelBefore(x), fibreWords(x.GetFibreBefore()), x.GetReason(), x.GetRecordedBy(), stamp(x.GetRecordTime()))
	}
	return a.show(p, pieceGrid("", []*labv1.Piece{p}), layers, corrected)
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

// placeOf finds the position of an immersion in the piece's trial; 0 if it isn't there, or the trial isn't the caller's to read.
func (a *app) placeOf(ctx context.Context, client labv1.TrialServiceClient, p *labv1.Piece, id string) (int32, error) {
	t, err := call(ctx, a, client.GetTrial, &labv1.GetTrialRequest{TrialId: p.GetTrialId()})
	if status.Code(err) == codes.NotFound {
		return 0, nil // a trial that isn't the holder's to read
	}
	for _, m := range t.GetImmersions() {
		if m.GetId() == id {
			return m.GetPosition(), nil
		}
	}
	return 0, err
}

// nextPlace is where an immersion goes when nothing is said: to the place of the one that it corrects, else after the piece's last.
func (a *app) nextPlace(ctx context.Context, client labv1.TrialServiceClient, p *labv1.Piece, m *labv1.Immersion) (int32, error) {
	id := m.GetId() // the same request may have been sent before, and then the last one is this one
	if m.GetCorrects() != nil {
		id = m.GetCorrects().GetEntryId()
	}
	place, err := a.placeOf(ctx, client, p, id)
	switch {
	case err != nil || place > 0:
		return place, err
	case m.GetCorrects() != nil:
		return 0, usage("--position is required with this --corrects: immersion %s isn't there, or its trial isn't yours to read", id)
	}
	return p.GetLastPosition() + 1, nil
}

// parts makes the entry that splits a piece or takes parts of it.
func (a *app) parts(ctx context.Context, ref string, kind labv1.OriginKind, masses, labels []string, after *int32, into string) error {
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
	again := a.requestID != ""
	seed, err := a.seed()
	if err != nil {
		return err
	}
	shared := p.GetLastPosition()
	switch {
	case after != nil:
		shared = *after
	case again: // the piece may have gone on since the request was first sent
		made, err := call(ctx, a, client.GetPiece, &labv1.GetPieceRequest{Piece: partID(seed, 0)})
		if err != nil && status.Code(err) != codes.NotFound {
			return err
		}
		if err == nil {
			shared = made.GetOrigin().GetAfterPosition()
		}
	}
	if into == "" {
		into = p.GetTrialId()
	}
	req := &labv1.AddEntriesRequest{RequestId: seed, TrialId: into, Etag: quoted(a.etag)}
	for i, m := range amounts {
		part := &labv1.Piece{Id: partID(seed, i), Mass: m, WeighingBasis: p.GetWeighingBasis(),
			Origin: &labv1.PieceOrigin{ParentPieceId: p.GetId(), Kind: kind, AfterPosition: shared}}
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

func partID(seed string, part int) string { return ids.Derive(seed, "piece", fmt.Sprint(part)) }

func (a *app) sayWarnings(t *labv1.Trial, of map[string]bool) {
	for _, w := range t.GetWarnings() {
		if of[w.GetEntryId()] {
			a.say("note: %s", output.Clean(w.GetText()))
		}
	}
}

func (a *app) pieceSplit() *cobra.Command {
	return a.partCommand(labv1.OriginKind_ORIGIN_KIND_SPLIT, 2, "--mass is given at least twice, once for each part",
		&cobra.Command{Use: "split PIECE --mass 7.1 --mass 7.0", Short: "Split a piece: it ends, its parts go on"})
}

func (a *app) pieceTake() *cobra.Command {
	return a.partCommand(labv1.OriginKind_ORIGIN_KIND_TAKEN, 1, "--mass is required",
		&cobra.Command{Use: "take PIECE --mass 3", Short: "Take a part of a piece: it goes on, lighter"})
}

// partCommand makes parts of a piece, at least so many.
func (a *app) partCommand(kind labv1.OriginKind, least int, tooFew string, c *cobra.Command) *cobra.Command {
	var masses, labels []string
	var after int32
	var into string
	c.Args = takes("PIECE")
	c.RunE = func(c *cobra.Command, args []string) error {
		if len(masses) < least {
			return usage("%s", tooFew)
		}
		var told *int32
		if c.Flags().Changed("after") {
			told = &after
		}
		return a.parts(c.Context(), args[0], kind, masses, labels, told, into)
	}
	c.Flags().StringArrayVar(&masses, "mass", nil, "mass of a part, in grams if no unit is given; \"not known\" is allowed")
	c.Flags().StringArrayVar(&labels, "label", nil, "label of a part, in the order of --mass")
	c.Flags().Int32Var(&after, "after", 0, "place of the piece's own last immersion that the parts share, 0 for none (default: its last)")
	c.Flags().StringVar(&into, "into-trial", "", "id of the trial that takes the parts (default: the piece's own)")
	return a.adds(c, "trial")
}

func (a *app) pieceSend() *cobra.Command {
	var bath, depth, entered, left, note string
	var exhaust, dips, position int32
	var wrong wrongEntry
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
			if m.Corrects, err = wrong.correction(); err != nil {
				return err
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
				if m.Position, err = a.nextPlace(c.Context(), client, p, m); err != nil {
					return err
				}
			}
			_, err = call(c.Context(), a, client.AddEntries, &labv1.AddEntriesRequest{RequestId: seed, TrialId: p.GetTrialId(), Etag: quoted(a.etag), Immersions: []*labv1.Immersion{m}})
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
	f.Int32Var(&position, "position", 0, "place in the piece's own order (default: after the last, or with --corrects that of the wrong one)")
	f.StringVar(&depth, "depth", "", "wanted depth: pale, medium or deep")
	f.StringVar(&entered, "entered", "", "when it went in, for example \"2026-05-03 14:10 +02:00\"")
	f.StringVar(&left, "left", "", "when it came out")
	f.StringVar(&note, "note", "", "a note")
	wrong.flags(c, "immersion")
	return a.adds(c, "trial")
}

// wrongEntry is the entry that a new one stands in place of.
type wrongEntry struct{ id, reason string }

func (w *wrongEntry) flags(c *cobra.Command, kind string) {
	c.Flags().StringVar(&w.id, "corrects", "", "id of the wrong "+kind+" that this one stands in place of; it is kept, and no longer counts")
	c.Flags().StringVar(&w.reason, "reason", "", "why, with --corrects")
}

// correction is nil when nothing is corrected.
func (w *wrongEntry) correction() (*typesv1.Correction, error) {
	if (w.id == "") != (w.reason == "") {
		return nil, usage("--corrects and --reason belong together")
	}
	if w.id == "" {
		return nil, nil
	}
	return &typesv1.Correction{EntryId: w.id, Reason: w.reason}, nil
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
