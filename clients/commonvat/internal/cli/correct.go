package cli

import (
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
)

func (a *app) pieceCorrect() *cobra.Command {
	var mass, label, composition, reason string
	right := &typesv1.Fibre{}
	c := &cobra.Command{
		Use: "correct PIECE --mass 7.1 --reason TEXT", Short: "Put a wrong mass, label or fibre right; what it was stays readable",
		Args: takes("PIECE"), RunE: func(c *cobra.Command, args []string) error {
			changed := c.Flags().Changed
			fibre := changed("fibre") || changed("form") || changed("finish") || changed("lot")
			if mass == "" && !changed("label") && !fibre || reason == "" {
				return usage("--reason is required, and at least one of --mass, --label, --fibre, --form, --finish and --lot")
			}
			correction := &labv1.PieceCorrection{Reason: reason}
			if mass != "" {
				amount, err := quantity.Amount(mass, quantity.Mass, "g")
				if err != nil {
					return usage("--mass: %v", err)
				}
				correction.Mass = amount
			}
			if changed("label") {
				correction.Label = &label
			}
			var err error
			if composition != "" {
				if right.Composition, err = parseFibre(composition); err != nil {
					return err
				}
			}
			client, p, err := a.findPiece(c.Context(), args[0])
			if err != nil {
				return err
			}
			correction.PieceId = p.GetId()
			if fibre {
				// What isn't given is as it was taken down.
				correction.Fibre = &typesv1.Fibre{}
				proto.Merge(correction.Fibre, p.GetFibre())
				if composition != "" {
					correction.Fibre.Composition = right.GetComposition()
				}
				for flag, to := range map[string]struct{ from, to *string }{
					"form": {&right.Form, &correction.Fibre.Form}, "finish": {&right.Finish, &correction.Fibre.Finish}, "lot": {&right.Lot, &correction.Fibre.Lot},
				} {
					if changed(flag) {
						*to.to = *to.from
					}
				}
			}
			seed, err := a.seed()
			if err != nil {
				return err
			}
			t, err := call(c.Context(), a, client.AddEntries, &labv1.AddEntriesRequest{RequestId: seed, TrialId: p.GetTrialId(), Etag: quoted(a.etag),
				PieceCorrections: []*labv1.PieceCorrection{correction}})
			if err != nil {
				return err
			}
			for _, have := range t.GetPieces() {
				if have.GetId() == p.GetId() {
					p = have
				}
			}
			a.sayWarnings(t, map[string]bool{p.GetId(): true})
			return a.showPiece(p)
		},
	}
	f := c.Flags()
	f.StringVar(&mass, "mass", "", "the right mass, in grams if no unit is given")
	f.StringVar(&label, "label", "", "the right label; \"\" takes it away")
	f.StringVar(&composition, "fibre", "", "the right fibre: wool, or a blend such as \"wool 70, silk 30\" in percent; parts of the piece follow")
	f.StringVar(&right.Form, "form", "", "the right form of the fibre: yarn, cloth, ...")
	f.StringVar(&right.Finish, "finish", "", "the right finish: superwash, bleached, ...")
	f.StringVar(&right.Lot, "lot", "", "the right lot of yarn or cloth")
	f.StringVar(&reason, "reason", "", "why (required)")
	return a.adds(c, "trial")
}

// parseFibre reads "wool", or "wool 70, silk 30".
func parseFibre(text string) ([]*typesv1.FibrePart, error) {
	var parts []*typesv1.FibrePart
	list := strings.Split(text, ",")
	for _, one := range list {
		words := strings.Fields(strings.ToLower(one))
		part := &typesv1.FibrePart{Percent: 100}
		if n := len(words); n > 1 {
			if v, ok := document.Decimal(words[n-1]); ok {
				part.Percent, words = v, words[:n-1]
			} else if len(list) > 1 {
				return nil, usage("--fibre: %q must be a fibre and its percent, such as wool 70", strings.TrimSpace(one))
			}
		} else if len(list) > 1 {
			return nil, usage("--fibre: %q must be a fibre and its percent, such as wool 70", strings.TrimSpace(one))
		}
		part.Fibre = strings.Join(words, " ")
		if _, figure := document.Decimal(part.GetFibre()); figure || part.GetFibre() == "" {
			return nil, usage("--fibre: %q names no fibre", text)
		}
		parts = append(parts, part)
	}
	return parts, nil
}

// labelBefore is the label before a correction; an empty one is shown as such.
func labelBefore(c *labv1.PieceCorrection) string {
	if c.LabelBefore != nil && c.GetLabelBefore() == "" {
		return "(none)"
	}
	return c.GetLabelBefore()
}

// fibreWords is a fibre in one cell, with its lot.
func fibreWords(f *typesv1.Fibre) string {
	if f == nil {
		return ""
	}
	words := []string{fibre(f)}
	for _, more := range []string{f.GetForm(), f.GetFinish()} {
		if more != "" {
			words = append(words, more)
		}
	}
	if f.GetLot() != "" {
		words = append(words, "lot "+f.GetLot())
	}
	return strings.Join(words, ", ")
}
