package cli

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/planfile"
	"github.com/commonvat/commonvat/clients/commonvat/internal/settings"
	"github.com/commonvat/commonvat/clients/internal/sheet"
	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	"github.com/spf13/cobra"
)

// printing is how a sheet is put on paper or screen.
type printing struct {
	form, paper, health, to string

	answers sheet.Health // those of the file, once check has read it
	history string       // why the sheet isn't to be dyed by any more; "" of one that is the newest that is known
}

func (p *printing) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&p.form, "form", "text", "text, html or pdf; --output json gives the sheet as the core has it")
	f.StringVar(&p.paper, "paper", "a4", "of html and pdf: a4 or letter")
	f.StringVar(&p.health, "health", "", "file with your answers about your own health; it is read here, and never sent")
	f.StringVar(&p.to, "to", "", "write it to this file (default: standard output)")
}

var forms = []string{"text", "html", "pdf"}

// check finds faults of the command line and of the answers about health before anything is asked, or kept by the core.
func (p *printing) check(a *app) error {
	if _, err := sheet.PaperNamed(p.paper); err != nil {
		return usage("--paper: %v", err)
	}
	if !slices.Contains(forms, p.form) {
		return usage("--form: %q is not known; allowed: %s", p.form, strings.Join(forms, ", "))
	}
	if p.to != "" {
		if folder, err := os.Stat(filepath.Dir(p.to)); err != nil || !folder.IsDir() {
			return usage("--to: there is no folder %s", filepath.Dir(p.to))
		}
		if there, err := os.Stat(p.to); err == nil && there.IsDir() {
			return usage("--to: %s is a folder; name a file in it", p.to)
		}
	} else if out, ok := a.Out.(*os.File); ok && p.form == "pdf" && output.Format(a.format) == output.Table && isTerminal(out) {
		return usage("--form pdf is not for a screen: name a file with --to")
	}
	if p.health == "" {
		return nil
	}
	data, err := a.readInput(p.health)
	if err != nil {
		return err
	}
	p.answers, err = planfile.ParseHealth(data)
	return err
}

// show writes a sheet, with the answers about health in it. A file is written whole or not at all, and only its owner may read it, since it may tell about
// somebody's health.
func (p *printing) show(a *app, s *benchv1.Sheet) error {
	if p.to == "" {
		return p.write(a.Out, output.Format(a.format), s)
	}
	var whole bytes.Buffer
	if err := p.write(&whole, output.Format(a.format), s); err != nil {
		return err
	}
	if there, err := os.Stat(p.to); err == nil && !there.Mode().IsRegular() { // a pipe or a device, such as /dev/stdout: a file must not take its place
		return os.WriteFile(p.to, whole.Bytes(), 0o600)
	}
	to, err := filepath.EvalSymlinks(p.to) // what a link names is written, and the link stays
	if errors.Is(err, fs.ErrNotExist) {
		to, err = p.to, nil
	}
	if err != nil {
		return err
	}
	return settings.WritePrivate(to, whole.Bytes())
}

func (p *printing) write(to io.Writer, format output.Format, s *benchv1.Sheet) error {
	if format == output.JSON {
		return output.WriteJSON(to, s)
	}
	answered := sheet.Apply(s, p.answers)
	if format == output.CSV {
		history := p.history
		if history == "" {
			history = sheet.History(answered, nil)
		}
		return output.WriteCSV(to, amountsGrid(answered, history))
	}
	page := sheet.Of(answered)
	page.History(p.history)
	paper, err := sheet.PaperNamed(p.paper)
	if err != nil {
		return usage("--paper: %v", err)
	}
	switch p.form {
	case "html":
		return sheet.WriteHTML(to, page, paper)
	case "pdf":
		return sheet.WritePDF(to, page, paper)
	default:
		return sheet.WriteText(to, page)
	}
}
