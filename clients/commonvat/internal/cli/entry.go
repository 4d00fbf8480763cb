package cli

import (
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/bulk"
	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/spf13/cobra"
)

func (a *app) look() *cobra.Command {
	var piece, bath, trial, text, at string
	var wrong wrongEntry
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
			if l.Corrects, err = wrong.correction(); err != nil {
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
			t, err := call(c.Context(), a, client.AddEntries, &labv1.AddEntriesRequest{RequestId: seed, TrialId: trial, Etag: quoted(a.etag), Looks: []*labv1.Look{l}})
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
	wrong.flags(add, "look")
	return groupOf("look", "Take down what was seen", a.adds(add, "trial"))
}

func entryGrid(kind, id string, t *labv1.Trial) output.Grid {
	g := output.Grid{Columns: []string{"entry", "id", "trial", "title"}}
	g.Add(kind, id, t.GetId(), t.GetTitle())
	return g
}

func (a *app) readingCommand() *cobra.Command {
	var lab, condition, spectrum, specular, state, instrument, geometry, at string
	var age, after int32
	var percent bool
	var wrong wrongEntry
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
			if c.Flags().Changed("after") {
				r.AfterPosition = &after
			}
			if r.Corrects, err = wrong.correction(); err != nil {
				return err
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
			t, err := call(c.Context(), a, client.AddEntries, &labv1.AddEntriesRequest{RequestId: seed, TrialId: p.GetTrialId(), Etag: quoted(a.etag), Readings: []*labv1.Reading{r}})
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
	f.Int32Var(&after, "after", 0, "place of the piece's own last immersion when it was read, 0 for none (default: its last, or with --corrects that of the wrong one)")
	wrong.flags(add, "reading")
	return groupOf("reading", "Add colour readings", a.adds(add, "trial"))
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
