package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"
	"unicode/utf8"

	"github.com/commonvat/commonvat/clients/commonvat/internal/compute"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/tryout"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// computing are the flags of calculations on files.
type computing struct {
	modules, module, delimiter string
	decimalComma               bool
	keep                       []string
}

func (f *computing) flags(c *cobra.Command, table bool) *cobra.Command {
	c.Flags().StringVar(&f.modules, "modules", "", "folder that has a folder for each module (default: modules beside this program)")
	c.Flags().StringVar(&f.module, "module", "", "executable or folder of the module to use")
	if table {
		c.Flags().StringVar(&f.delimiter, "delimiter", ",", "what stands between cells: one character, or tab")
		c.Flags().BoolVar(&f.decimalComma, "decimal-comma", false, "numbers in the table have a comma for the point (then --delimiter must be another)")
		c.Flags().StringSliceVar(&f.keep, "keep", nil, "columns to carry over (default: all that aren't used up)")
	}
	return c
}

func (f *computing) common(a *app, p compute.Progress) (compute.Common, error) {
	if f.delimiter == "tab" || f.delimiter == `\t` { // shells hardly let one type it
		f.delimiter = "\t"
	}
	d, size := utf8.DecodeRuneInString(f.delimiter)
	if size == 0 || size != len(f.delimiter) || d == utf8.RuneError || d == '"' || d == '\r' || d == '\n' || d == '.' || d >= '0' && d <= '9' {
		return compute.Common{}, usage("--delimiter is %q; allowed: one character, such as , or ; and tab", f.delimiter)
	}
	if f.decimalComma && d == ',' {
		return compute.Common{}, usage("--decimal-comma needs another --delimiter, such as ;")
	}
	return compute.Common{Delimiter: d, DecimalComma: f.decimalComma, Keep: f.keep, Timeout: a.timeout, Progress: p}, nil
}

// compute are calculations on files. They need no core.
func (a *app) compute() *cobra.Command {
	c := groupOf("compute", "Put files to calculation modules, without a server", a.computeLines(), a.computeDifferences(), a.computeColours(), a.computePalettes())
	c.Long = `Put files to calculation modules, without a server. Answers go to standard output in the order of the file, which may be of any length (palettes
excepted). FILE is - for standard input. Modules run with your own rights, unprotected. The exit code is 7 when any row or line had an error; the others
are answered. --timeout bounds one call. On a terminal the progress is shown. The last columns of every CSV table that is written say which module
computed the row, its version, and what it was asked for besides the row: condition, seed and the like.`
	return c
}

// computed runs a calculation on a file with modules at hand.
func (a *app) computed(ctx context.Context, f *computing, name, unit string, run func(ctx context.Context, m *compute.Modules, in io.Reader, p compute.Progress) (int, error)) (err error) {
	if unit == "rows" && a.format == string(output.JSON) || unit == "lines" && a.format == string(output.CSV) {
		return usage("--output is %s; tables are answered as CSV and lines as JSON Lines", a.format)
	}
	if f.modules == "" {
		self, err := os.Executable()
		if err != nil {
			return err
		}
		f.modules = filepath.Join(filepath.Dir(self), "modules")
	}
	in := a.In
	if name != "-" {
		file, err := os.Open(name)
		if errors.Is(err, os.ErrNotExist) {
			return input("there is no file %s", name)
		}
		if err != nil {
			return err
		}
		defer func() { _ = file.Close() }() // it was only read
		in = file
	}
	m, err := compute.NewModules(f.modules, f.module)
	if err != nil {
		return err
	}
	defer m.Close()
	progress, end := a.progress(unit)
	// A reader that goes, as head does, would end this process by a signal before the modules' folder is cleared away; so the write fails instead.
	gone := make(chan os.Signal, 1)
	signal.Notify(gone, syscall.SIGPIPE)
	bad, err := run(ctx, m, in, progress)
	signal.Stop(gone)
	end()
	var field *compute.FieldError
	var of *tryout.FieldError
	switch {
	case errors.Is(err, syscall.EPIPE):
		return &outcome{exitReaderGone}
	case errors.As(err, &field) || errors.As(err, &of):
		return &inputError{err}
	case status.Code(err) == codes.InvalidArgument:
		return &inputError{errors.New(refused(err))}
	case status.Code(err) == codes.Unavailable: // what answers here is no core
		return fmt.Errorf("%w: %s", compute.ErrModuleEnded, status.Convert(err).Message())
	case status.Code(err) == codes.ResourceExhausted: // nor would another time help
		return input("too much at once for the module: %s", status.Convert(err).Message())
	case status.Code(err) == codes.DeadlineExceeded:
		return fmt.Errorf("the module did not answer within --timeout %s", a.timeout)
	case err != nil:
		return err
	case bad > 0:
		a.say("%s had an error", counted(bad, unit))
		return &outcome{ExitInput}
	}
	return nil
}

// exitReaderGone is the exit code that shells use for a process that ended by a broken pipe. It needs no message.
const exitReaderGone = 128 + int(syscall.SIGPIPE)

// refused is what a module finds wrong with what all rows share, said once.
func refused(err error) string {
	f := tryout.Refusal(err)
	if len(f.Fields) < 2 {
		return f.Message
	}
	text := "the module refuses:"
	for _, v := range f.Fields {
		text += "\n  " + v.Field + " " + v.Problem
	}
	return text
}

// progress shows a count on standard error about once a second, if that is a terminal and the answers go elsewhere. end removes it.
func (a *app) progress(unit string) (p compute.Progress, end func()) {
	to, ok := a.Err.(*os.File)
	if !ok || !isTerminal(to) || a.Getenv("TERM") == "dumb" {
		return nil, func() {}
	}
	if out, ok := a.Out.(*os.File); ok && isTerminal(out) {
		return nil, func() {} // the answers themselves are seen
	}
	return counter(a.Err, unit, time.Second)
}

// counter writes the count over itself, at most once every so often.
func counter(to io.Writer, unit string, every time.Duration) (p compute.Progress, end func()) {
	last, shown := time.Now(), false
	p = func(done int) {
		if time.Since(last) < every {
			return
		}
		last, shown = time.Now(), true
		_, _ = fmt.Fprintf(to, "\r%d %s", done, unit) // nowhere to report it
	}
	return p, func() {
		if shown {
			_, _ = fmt.Fprint(to, "\r\033[K")
		}
	}
}

func (a *app) computeLines() *cobra.Command {
	var f computing
	var contract, method string
	var data []string
	c := &cobra.Command{
		Use: "lines KIND FILE", Short: "Put request messages as JSON Lines to a module",
		Long: `Put request messages as JSON Lines to a module and print its responses as JSON Lines. KIND is ` + strings.Join(sdk.Kinds(), ", ") + `.
A line is one request message as protobuf JSON; for calls that stream, a list of them. Each line has one line of answer, in order: the response, a list of
responses where the module streams, or {"line": N, "error": {"code", "message", "fields"}}. Empty lines are left out.`,
		Args: takes("KIND", "FILE"), RunE: func(c *cobra.Command, args []string) error {
			return a.computed(c.Context(), &f, args[1], "lines", func(ctx context.Context, m *compute.Modules, in io.Reader, p compute.Progress) (int, error) {
				of := contract
				if of == "" {
					var err error
					if of, err = m.Contract(ctx, args[0], tryout.Contracts()); err != nil {
						return 0, err
					}
				}
				call, err := tryout.Method(of, method)
				if err != nil {
					return 0, err
				}
				conn, err := m.Conn(ctx, args[0])
				if err != nil {
					return 0, err
				}
				for _, name := range data {
					content, err := a.readInput(name)
					if err != nil {
						return 0, err
					}
					if err := compute.PutData(ctx, conn, a.timeout, content); err != nil {
						return 0, fmt.Errorf("%s: %w", name, err)
					}
				}
				return compute.Lines(ctx, conn, call, a.timeout, in, a.Out, p)
			})
		},
	}
	c.Flags().StringVar(&contract, "contract", "", "contract, such as commonvat.module.palette.v1 (default: the newest that the module serves)")
	c.Flags().StringVar(&method, "call", "", "call of the contract, such as Rescale (default: its first)")
	c.Flags().StringSliceVar(&data, "data", nil, "files to give to the module first: rule packs or tables of facts, which requests name by their SHA-256")
	return f.flags(c, false)
}

func (a *app) computeDifferences() *cobra.Command {
	var f computing
	var formulas []string
	var condition string
	d := compute.Differences{}
	c := &cobra.Command{
		Use: "differences FILE", Short: "Compute the differences of pairs of colours in a CSV table",
		Long: `Compute the differences of pairs of colours in a CSV table. A row has a pair in columns L1,a1,b1,L2,a2,b2 or L1,C1,h1,L2,C2,h2 or (sRGB) R1,G1,B1,R2,G2,B2;
the first colour is the reference. A column for each formula is added, with 10 significant digits, and a column "fault", which says why a row has none.
A formula may have its factors kL, kC and kH behind it: cmc:2:1, ciede2000:2. Those of the usual module are ciede2000, cie76, cie94_textile,
cie94_graphic_arts and cmc.`,
		Args: takes("FILE"), RunE: func(c *cobra.Command, args []string) error {
			for _, text := range formulas {
				w, err := compute.ParseFormula(text)
				if err != nil {
					return usage("--formula: %v", err)
				}
				d.Formulas = append(d.Formulas, w)
			}
			if condition != "" {
				var err error
				if d.Condition, err = words.Condition(condition); err != nil {
					return usage("--condition: %v", err)
				}
			}
			if d.RGBScale != 0 && d.RGBScale != 1 && d.RGBScale != 255 {
				return usage("--rgb-scale is %g; allowed: 1 when white is 1, 255 when it is 255", d.RGBScale)
			}
			return a.computed(c.Context(), &f, args[0], "rows", func(ctx context.Context, m *compute.Modules, in io.Reader, p compute.Progress) (n int, err error) {
				if d.Common, err = f.common(a, p); err != nil {
					return 0, err
				}
				return d.Run(ctx, m.Conn, in, a.Out)
			})
		},
	}
	c.Flags().StringSliceVar(&formulas, "formula", []string{"ciede2000"}, "formulas, separated by commas")
	c.Flags().StringVar(&condition, "condition", "", "illuminant and observer of the colours (default: D65/10, of sRGB D65/2)")
	c.Flags().Float64Var(&d.RGBScale, "rgb-scale", 0, "what full white is in sRGB columns: 1 or 255")
	return f.flags(c, true)
}

func (a *app) computeColours() *cobra.Command {
	var f computing
	var scale string
	k := compute.Colours{}
	c := &cobra.Command{
		Use: "colours FILE", Short: "Compute the colours of spectra in a CSV table",
		Long: `Compute the colours of spectra in a CSV table. A row has a spectrum in columns R400, R410, ... R700 or more, named by rising wavelengths in nm at most 20 apart.
The other columns are kept; X, Y, Z, L, a, b (with the condition in the name when there are several), K/S where the piece absorbs most, that wavelength, 1 where
K/S is that of a limit and where there is more dye than it says, and a column "fault" are added. Nothing is guessed about the scale: a row that contradicts
--scale has a fault, such as percent that reach no more than 1, which might be factors.`,
		Args: takes("FILE"), RunE: func(c *cobra.Command, args []string) error {
			k.Scale = compute.Scale(scale)
			if k.Scale != compute.Percent && k.Scale != compute.Factor {
				return usage("--scale is %q; allowed: percent, or factor when white is 1", scale)
			}
			for i, condition := range k.Conditions {
				k.Conditions[i] = strings.TrimSpace(condition)
			}
			if err := k.Check(); err != nil {
				return usage("%v", err)
			}
			return a.computed(c.Context(), &f, args[0], "rows", func(ctx context.Context, m *compute.Modules, in io.Reader, p compute.Progress) (n int, err error) {
				if k.Common, err = f.common(a, p); err != nil {
					return 0, err
				}
				return k.Run(ctx, m.Conn, in, a.Out)
			})
		},
	}
	c.Flags().StringVar(&scale, "scale", "", "what the figures are: percent, or factor when white is 1 (required)")
	c.Flags().StringSliceVar(&k.Conditions, "condition", []string{"D65/10"}, "illuminants and observers, separated by commas: D65, A, D50, FL2, FL7, FL11 or daylight such as 5500K, with /2 or /10")
	return f.flags(c, true)
}

func (a *app) computePalettes() *cobra.Command {
	var f computing
	var condition string
	p := compute.Palettes{}
	c := &cobra.Command{
		Use: "palettes FILE", Short: "Measure labelled colours in a CSV table as palettes, and compare them",
		Long: `Measure labelled colours in a CSV table as palettes, and compare them. A row has a colour in columns L, a, b, the palette it belongs to in column group, and its
session in column block (empty: not known). Columns cell (pieces alike within a group and block) and stratum are used when there; without cell each row is
a cell by itself. A long table is written: a row a measure of each group, of each pair, and the verdict on each pair.`,
		Args: takes("FILE"), RunE: func(c *cobra.Command, args []string) error {
			var err error
			if p.Condition, err = words.Condition(condition); err != nil {
				return usage("--condition: %v", err)
			}
			if !c.Flags().Changed("timeout") {
				a.timeout = 10 * time.Minute // one call has the whole table
			}
			return a.computed(c.Context(), &f, args[0], "rows", func(ctx context.Context, m *compute.Modules, in io.Reader, progress compute.Progress) (n int, err error) {
				if p.Common, err = f.common(a, progress); err != nil {
					return 0, err
				}
				said := 0
				return p.Run(ctx, m.Conn, in, a.Out, func(text string) {
					switch said++; {
					case said <= 20:
						a.say("%s", output.Clean(text))
					case said == 21:
						a.say("... and more")
					}
				})
			})
		},
	}
	c.Flags().StringVar(&condition, "condition", "D65/10", "illuminant and observer of the colours")
	c.Flags().Float64Var(&p.Threshold, "threshold", 0, "distinct shades from this CIEDE2000 difference on (default: the module's, 5)")
	c.Flags().Int32Var(&p.EqualNumber, "equal-number", 0, "number of cells at which groups are compared (default: chosen from the data)")
	c.Flags().Int32Var(&p.Closing, "closing-sessions", 0, "planned number of sessions, for a verdict with p (default: estimates without p)")
	c.Flags().Uint64Var(&p.Seed, "seed", 0, "seed of what is drawn at random")
	c.Flags().BoolVar(&p.Match, "match-by-position", false, "without a column cell, let the n-th rows of two groups in a block match")
	return f.flags(c, true)
}
