package cli

import (
	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/spf13/cobra"
)

func (a *app) judgement() *cobra.Command {
	var yellower, deeper, duller, light, at string
	var step float64
	var blind bool
	var wrong wrongEntry
	add := &cobra.Command{
		Use: "add FIRST SECOND (--yellower PIECE | --deeper PIECE | --duller PIECE | --grey-scale STEP)", Short: "Take down what was seen of two pieces held side by side",
		Long: `Take down what was seen of two pieces held side by side: which is the yellower, deeper or duller (one of the two as you named it, or neither), or the step of a
grey scale that shows the same contrast. Both are of one trial.`,
		Args: takes("FIRST", "SECOND"), RunE: func(c *cobra.Command, args []string) error {
			j := &labv1.Judgement{Light: light, Blind: blind}
			given := 0
			for _, q := range []struct {
				flag, text string
				quality    labv1.JudgedQuality
			}{
				{"--yellower", yellower, labv1.JudgedQuality_JUDGED_QUALITY_YELLOWER}, {"--deeper", deeper, labv1.JudgedQuality_JUDGED_QUALITY_DEEPER},
				{"--duller", duller, labv1.JudgedQuality_JUDGED_QUALITY_DULLER},
			} {
				if q.text == "" {
					continue
				}
				given++
				j.Quality = q.quality
				switch q.text {
				case args[0]:
					j.Choice = labv1.JudgedChoice_JUDGED_CHOICE_FIRST
				case args[1]:
					j.Choice = labv1.JudgedChoice_JUDGED_CHOICE_SECOND
				case words.Show(labv1.JudgedChoice_JUDGED_CHOICE_NEITHER):
					j.Choice = labv1.JudgedChoice_JUDGED_CHOICE_NEITHER
				default:
					return usage("%s: %q is neither of the two pieces; allowed: %s, %s, neither", q.flag, q.text, args[0], args[1])
				}
			}
			if c.Flags().Changed("grey-scale") {
				given++
				j.Quality, j.GreyScaleStep = labv1.JudgedQuality_JUDGED_QUALITY_GREY_SCALE, &step
			}
			if given != 1 {
				return usage("give one of --yellower, --deeper, --duller and --grey-scale")
			}
			var err error
			if j.At, err = flagTime("--at", at); err != nil {
				return err
			}
			if j.Corrects, err = wrong.correction(); err != nil {
				return err
			}
			client, first, err := a.findPiece(c.Context(), args[0])
			if err != nil {
				return err
			}
			_, second, err := a.findPiece(c.Context(), args[1])
			if err != nil {
				return err
			}
			seed, err := a.seed()
			if err != nil {
				return err
			}
			j.Id, j.FirstPieceId, j.SecondPieceId = ids.Derive(seed, "judgement"), first.GetId(), second.GetId()
			t, err := call(c.Context(), a, client.AddEntries, &labv1.AddEntriesRequest{RequestId: seed, TrialId: first.GetTrialId(), Etag: quoted(a.etag), Judgements: []*labv1.Judgement{j}})
			if err != nil {
				return err
			}
			return a.show(t, entryGrid("judgement", j.GetId(), t))
		},
	}
	f := add.Flags()
	f.StringVar(&yellower, "yellower", "", "which of the two is the yellower, or neither")
	f.StringVar(&deeper, "deeper", "", "which of the two is the deeper, or neither")
	f.StringVar(&duller, "duller", "", "which of the two is the duller, or neither")
	f.Float64Var(&step, "grey-scale", 0, "step of a grey scale that shows the same contrast: 1 to 5, whole and half")
	f.StringVar(&light, "light", "", "by which light, for example \"north window, cloudy\"")
	f.BoolVar(&blind, "blind", false, "whoever judged didn't know which piece was which")
	f.StringVar(&at, "at", "", "when, for example 2026-05-20")
	wrong.flags(add, "judgement")
	return groupOf("judgement", "Take down judgements by eye", a.adds(add, "trial"))
}
