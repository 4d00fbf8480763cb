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

// readingEntry is a reading as flags tell it.
type readingEntry struct {
	lab, condition, spectrum, specular, state, instrument, geometry, at string
	age, after                                                          int32
	percent                                                             bool
	wrong                                                               wrongEntry
}

func (e *readingEntry) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&e.lab, "lab", "", "L*,a*,b*, for example 72.3,-4.1,48.9")
	f.StringVar(&e.condition, "condition", "", "what the L*a*b* holds for: D65/10, D65/2, A/10 or A/2")
	f.StringVar(&e.spectrum, "spectrum", "", "CSV file with wavelength in nm and reflectance in each line, at equal steps (- is standard input)")
	f.BoolVar(&e.percent, "percent", false, "the spectrum is in percent, not in factors")
	f.StringVar(&e.specular, "specular", "", "whether gloss counted: included or excluded")
	f.StringVar(&e.state, "state", "", "state of the piece: wet, damp, dry, finished, washed or exposed")
	f.Int32Var(&e.age, "age-days", 0, "whole days since the last dyeing")
	f.StringVar(&e.instrument, "instrument", "", "name of the instrument in the cooperative")
	f.StringVar(&e.geometry, "geometry", "", "45/0, d/8, ...")
	f.StringVar(&e.at, "at", "", "when, for example 2026-05-20")
	f.Int32Var(&e.after, "after", 0, "place of the piece's own last immersion when it was read, 0 for none (default: its last, or with --corrects that of the wrong one)")
	e.wrong.flags(c, "reading")
}

// reading is the entry without its id and piece; given tells whether a flag was.
func (e *readingEntry) reading(a *app, given func(flag string) bool) (*labv1.Reading, error) {
	r := &labv1.Reading{Instrument: e.instrument, Geometry: e.geometry}
	var err error
	switch {
	case (e.lab == "") == (e.spectrum == ""):
		return nil, usage("give either --lab (with --condition) or --spectrum")
	case e.lab != "":
		r.Raw, err = labOf(e.lab, e.condition)
	case e.condition != "":
		return nil, usage("--condition belongs to --lab: from a spectrum colour under any condition can be computed")
	default:
		r.Raw, err = a.spectrumOf(e.spectrum, e.percent)
	}
	if err != nil {
		return nil, err
	}
	if e.specular != "" {
		if r.Specular, err = words.Parse[typesv1.SpecularMode](e.specular); err != nil {
			return nil, usage("--specular: %v", err)
		}
	}
	if e.state != "" {
		if r.State, err = words.Parse[labv1.PieceState](e.state); err != nil {
			return nil, usage("--state: %v", err)
		}
	}
	if given("age-days") {
		r.AgeDays = &e.age
	}
	if given("after") {
		r.AfterPosition = &e.after
	}
	if r.Corrects, err = e.wrong.correction(); err != nil {
		return nil, err
	}
	r.At, err = flagTime("--at", e.at)
	return r, err
}

func (a *app) readingCommand() *cobra.Command {
	var entry readingEntry
	add := &cobra.Command{
		Use: "add PIECE (--lab L,a,b --condition D65/10 | --spectrum FILE)", Short: "Add a colour reading of a piece",
		Args: takes("PIECE"), RunE: func(c *cobra.Command, args []string) error {
			r, err := entry.reading(a, c.Flags().Changed)
			if err != nil {
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
	entry.flags(add)
	return groupOf("reading", "Add colour readings", a.adds(add, "trial"))
}

// spectrumOf reads a file with a spectrum, in percent or in factors.
func (a *app) spectrumOf(file string, percent bool) (*typesv1.RawColour, error) {
	data, err := a.readInput(file)
	if err != nil {
		return nil, err
	}
	s, err := bulk.ReadSpectrum(data, percent)
	if err != nil {
		return nil, input("%s: %v", file, err)
	}
	return &typesv1.RawColour{Value: &typesv1.RawColour_Spectrum{Spectrum: s}}, nil
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
