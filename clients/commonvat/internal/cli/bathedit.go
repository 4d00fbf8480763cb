package cli

import (
	"context"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/spf13/cobra"
)

func (a *app) bathKeeper() keeper[*labv1.Bath] {
	return keeper[*labv1.Bath]{
		noun: "bath", kind: labv1.RecordKind_RECORD_KIND_BATH,
		get: func(ctx context.Context, id string) (*labv1.Bath, error) {
			client, err := a.bathClient(ctx)
			if err != nil {
				return nil, err
			}
			return call(ctx, a, client.GetBath, &labv1.GetBathRequest{BathId: id})
		},
		remove: func(ctx context.Context, requestID, id, etag, reason string) (*labv1.Bath, error) {
			client, err := a.bathClient(ctx)
			if err != nil {
				return nil, err
			}
			return call(ctx, a, client.DeleteBath, &labv1.DeleteBathRequest{RequestId: requestID, BathId: id, Etag: etag, Reason: reason})
		},
		restore: func(ctx context.Context, requestID, id, etag string) (*labv1.Bath, error) {
			client, err := a.bathClient(ctx)
			if err != nil {
				return nil, err
			}
			return call(ctx, a, client.UndeleteBath, &labv1.UndeleteBathRequest{RequestId: requestID, BathId: id, Etag: etag})
		},
		show:  func(_ context.Context, b *labv1.Bath) error { return a.showBath(b) },
		grids: func(_ context.Context, v *labv1.GetVersionResponse) []output.Grid { return bathGrids(v.GetBath()) },
	}
}

// bathFields are the flags of bath edit with the fields that they change.
var bathFields = [][2]string{
	{"label", "label"}, {"vessel", "vessel"}, {"purpose", "purposes"}, {"blank-of", "blank_of"}, {"liquor", "liquor"}, {"water", "water_parts"},
	{"open", "open_to_members"}, {"contents-not-stated", "contents_not_stated"}, {"exhaust-number-not-stated", "exhaust_number_not_stated"},
	{"exhaust-not-stated", "exhaust_not_stated"},
}

func (a *app) bathEdit() *cobra.Command {
	b := &labv1.Bath{}
	var liquor string
	var purposes, waters []string
	var e edit
	c := &cobra.Command{
		Use: "edit BATH --label TEXT --reason TEXT", Short: "Put right what was taken down of a bath of yours; the routes of all that was in it follow",
		Long: `Put right what was taken down of a bath of yours. The routes of all pieces that were in it follow, whoever owns them; a change
that would make a history impossible is refused. What the bath said before stays in its history. For what went into it see: bath add --corrects`,
		Args: takes("BATH"), RunE: func(c *cobra.Command, args []string) error {
			if err := e.take(c, bathFields); err != nil {
				return err
			}
			if e.reason == "" {
				return usage("--reason is required: why, for the history")
			}
			b.Id, b.Purposes, b.WaterParts = args[0], nil, nil
			for _, p := range given(purposes) {
				purpose, err := words.Parse[labv1.BathPurpose](p)
				if err != nil {
					return usage("--purpose: %v", err)
				}
				b.Purposes = append(b.Purposes, purpose)
			}
			for _, w := range given(waters) {
				part, err := waterPart(w)
				if err != nil {
					return err
				}
				b.WaterParts = append(b.WaterParts, part)
			}
			if liquor != "" {
				amount, err := quantity.Amount(liquor, quantity.Volume, "")
				if err != nil {
					return usage("--liquor: %v", err)
				}
				b.Liquor = amount
			}
			client, err := a.bathClient(c.Context())
			if err != nil {
				return err
			}
			return send(c.Context(), a, a.bathKeeper(), args[0], &e, func(requestID, etag string) (*labv1.Bath, error) {
				return call(c.Context(), a, client.UpdateBath, &labv1.UpdateBathRequest{RequestId: requestID, Etag: etag, Reason: e.reason, Bath: b, UpdateMask: &e.mask})
			})
		},
	}
	f := c.Flags()
	f.StringVar(&b.Label, "label", "", "the label")
	f.StringVar(&b.Vessel, "vessel", "", "the vessel; \"\" takes it away")
	f.StringArrayVar(&purposes, "purpose", nil, "what it was for: scour, mordant, tannin, dye, vat, modifier or rinse; may be repeated")
	f.StringVar(&b.BlankOf, "blank-of", "", "the dyestuff of which it was the blank; \"\" when it was none")
	f.StringVar(&liquor, "liquor", "", "the liquor, with the unit: \"2 L\"; \"\" when it isn't stated")
	f.StringArrayVar(&waters, "water", nil, "a water of its mix: SOURCE, SOURCE:PARTS or SOURCE/SAMPLE:PARTS; may be repeated; \"\" when it isn't stated")
	f.BoolVar(&b.OpenToMembers, "open", false, "other members may put pieces in (--open=false: they may not)")
	f.BoolVar(&b.ContentsNotStated, "contents-not-stated", false, "what was in it isn't known (=false: it is)")
	f.BoolVar(&b.ExhaustNumberNotStated, "exhaust-number-not-stated", false, "it was an exhaust bath, and not known which (=false: that isn't so)")
	f.BoolVar(&b.ExhaustNotStated, "exhaust-not-stated", false, "whether it was fresh or exhausted isn't known (=false: that isn't so)")
	e.flags(c, "bath", true)
	return a.writes(c)
}

// given leaves out the empty text, by which a list is emptied.
func given(list []string) []string {
	var out []string
	for _, text := range list {
		if text != "" {
			out = append(out, text)
		}
	}
	return out
}

// waterPart reads SOURCE, SOURCE:PARTS or SOURCE/SAMPLE:PARTS.
func waterPart(text string) (*labv1.WaterPart, error) {
	where, parts, told := strings.Cut(text, ":")
	source, sample, _ := strings.Cut(where, "/")
	part := &labv1.WaterPart{WaterSourceId: source, WaterSampleId: sample, Parts: 1}
	if !ids.Is(source) || sample != "" && !ids.Is(sample) {
		return nil, usage("--water: %q must be the id of a water source (see: commonvat water list), with /SAMPLE and :PARTS after it if wanted", text)
	}
	if told {
		v, ok := document.Decimal(parts)
		if !ok || v <= 0 || v > 1e6 {
			return nil, usage("--water: %q must be a number above 0, at most 1000000", parts)
		}
		part.Parts = v
	}
	return part, nil
}
