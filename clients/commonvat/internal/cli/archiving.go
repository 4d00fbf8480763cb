package cli

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/archive"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/spf13/cobra"
)

func (a *app) export() *cobra.Command {
	c := &cobra.Command{
		Use: "export FOLDER", Short: "Take everything that is yours into a new folder: JSON Lines, and tables for spreadsheets",
		Long: `Take everything that is yours into a new folder: your trials, baths, water sources and experiments with all that was superseded or deleted, what
they said before, your tokens (without secrets) and what you did. JSON Lines are whole and can be restored into another core; csv/ has the
same as tables that are safe to open in a spreadsheet. README.txt in the folder says what each file is.

The folder must not be there yet; it gets its name when it is whole. A folder named restore is written ./restore.`,
		Args: takes("FOLDER"), RunE: func(c *cobra.Command, args []string) error {
			conn, err := a.dial(c.Context())
			if err != nil {
				return err
			}
			m, err := archive.Export(c.Context(), archive.New(conn, a.timeout), args[0], time.Now())
			if errors.Is(err, archive.ErrThere) {
				return &inputError{err}
			}
			if err != nil {
				return err
			}
			g := output.Grid{Title: "exported what is " + m.Member + "'s into " + args[0], Columns: []string{"file", "records", "bytes", "sha256"}}
			for _, f := range m.Files {
				g.Add(f.Path, f.Records, f.Bytes, f.SHA256)
			}
			for _, n := range m.NotReadable {
				a.say("not in it, since you may not read it: %s", output.Clean(n))
			}
			return a.showPlain(m, g)
		},
	}
	c.AddCommand(a.restore())
	return c
}

func (a *app) restore() *cobra.Command {
	var o archive.Options
	c := &cobra.Command{
		Use: "restore FOLDER", Short: "Put an export into the core that you are signed in to, as your own",
		Long: `Put an export into the core that you are signed in to, as your own. Records keep their ids, so that restoring again is safe: what is there already
stays as it is, what is missing is added, and what says otherwise is reported and not overwritten.

Water sources come first, then experiments (a coordinator's only), baths and trials. Superseded entries come along and are superseded again; deleted
records are deleted again. What the core itself says is the new core's: when and by whom a thing was recorded, short codes of pieces, revisions. Nothing is
shared, nothing open to others and no place shown, unless --keep-sharing is given. Baths and waters of others that aren't readable here come in as yours, and their
names say whose they were. Parts of pieces that are neither in the folder nor readable here come in as whole pieces whose history isn't stated. All of this is
reported, record by record. The exit code is 7 when any record was refused, else 5 when any differs.`,
		Args: takes("FOLDER"), RunE: func(c *cobra.Command, args []string) error {
			folder, err := archive.Open(args[0])
			if err != nil {
				return &inputError{err}
			}
			for _, f := range folder.Changed {
				a.say("%s was changed since the export; it is not restored from", output.Clean(f))
			}
			conn, err := a.dial(c.Context())
			if err != nil {
				return err
			}
			report, err := archive.Restore(c.Context(), archive.New(conn, a.timeout), folder, o)
			if errors.Is(err, archive.ErrFolder) {
				err = &inputError{err}
			}
			if report == nil {
				return err
			}
			if err != nil {
				a.say("broken off; restoring again goes on from there")
			}
			if shown := a.showRestore(report); err == nil {
				err = shown
			}
			return err
		},
	}
	c.Flags().BoolVar(&o.DryRun, "dry-run", false, "read both sides, say what would be done, and write nothing; the core has not judged the records then")
	c.Flags().BoolVar(&o.KeepSharing, "keep-sharing", false, "share records as they were, open baths and show places as they were, and post pieces to members of the same name")
	return c
}

func (a *app) showRestore(r *archive.Report) error {
	all := output.Grid{Columns: []string{"record", "id", "name", "outcome", "notes"}}
	told := output.Grid{Columns: []string{"record", "name", "outcome", "notes", "id"}}
	for _, row := range r.Rows {
		notes := strings.Join(row.Notes, "; ")
		all.Add(row.Record, row.ID, row.Name, string(row.Outcome), notes)
		told.Add(row.Record, row.Name, string(row.Outcome), notes, row.ID)
	}
	summary := fmt.Sprintf("%d added, %d completed, %d there already, %d left out, %d differ, %d refused", r.Added, r.Complete, r.There, r.LeftOut, r.Differs, r.Refused)
	if r.DryRun {
		summary = "dry run, nothing was written; it would be: " + summary
	}
	var err error
	if output.Format(a.format) == output.Table {
		told.Below = summary
		err = output.WriteTable(a.Out, told)
	} else {
		a.say("%s", summary)
		err = a.showPlain(r, all)
	}
	switch {
	case err != nil:
		return err
	case r.Refused > 0:
		return &outcome{ExitInput}
	case r.Differs > 0:
		return &outcome{ExitConflict}
	}
	return nil
}

// showPlain writes what is no message of the interface.
func (a *app) showPlain(v any, g output.Grid) error {
	switch output.Format(a.format) {
	case output.JSON:
		e := json.NewEncoder(a.Out)
		e.SetIndent("", "  ")
		return e.Encode(v)
	case output.CSV:
		return output.WriteCSV(a.Out, g)
	}
	return output.WriteTable(a.Out, g)
}
