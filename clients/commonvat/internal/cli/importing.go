package cli

import (
	"fmt"
	"sort"

	"github.com/commonvat/commonvat/clients/commonvat/internal/bulk"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/spf13/cobra"
)

func (a *app) importCommand() *cobra.Command {
	var mapping, join, source, share, licence string
	var update, check bool
	c := &cobra.Command{
		Use: "import FILE --mapping FILE", Short: "Take in readings from a CSV table, by a mapping of its columns",
		Long: `Take in readings from a CSV table (- is standard input), by a mapping file that says what its columns mean.

A row's key is you, the source's name and the row's own key: the same content again is unchanged, other content is a conflict
unless --update is given, so that importing again is always safe. Bad rows are reported with their line in the file and the
reason; the good ones go in. The exit code is 7 when any row was refused, else 5 when any was in conflict.`,
		Args: takes("FILE"),
		RunE: func(c *cobra.Command, args []string) error {
			if mapping == "" {
				return usage("--mapping FILE is required")
			}
			sharing, err := sharingOf("--share", share, licence)
			if err != nil {
				return err
			}
			raw, err := a.readInput(mapping)
			if err != nil {
				return err
			}
			m, err := bulk.ParseMapping(raw)
			if err != nil {
				return err
			}
			if source != "" {
				m.Source = source
			}
			table, err := a.readInput(args[0])
			if err != nil {
				return err
			}
			var joined []byte
			if join != "" {
				if joined, err = a.readInput(join); err != nil {
					return err
				}
			}
			rows, err := m.Read(table, joined)
			if err != nil {
				return input("%s: %v", args[0], err)
			}
			report := &importReport{}
			for _, f := range rows.Faults {
				report.results = append(report.results, &labv1.ImportRowResult{RowNumber: int32(min(f.Line, 1<<30)), RowKey: f.Key,
					Outcome: labv1.ImportOutcome_IMPORT_OUTCOME_REFUSED, Reason: f.Reason})
			}
			if check {
				a.say("checked: %d rows could be sent; nothing was", len(rows.Rows))
				return a.showImport(report)
			}
			conn, err := a.dial(c.Context())
			if err != nil {
				return err
			}
			client := labv1.NewImportServiceClient(conn)
			for i, batch := range bulk.Batches(rows.Rows) {
				got, err := call(c.Context(), a, client.ImportReadings, &labv1.ImportReadingsRequest{Source: m.Source, Rows: batch, Update: update, Sharing: sharing})
				if err != nil {
					if i > 0 {
						a.say("%s; importing again is safe", report.summary())
					}
					return err
				}
				if len(got.GetResults()) != len(batch) {
					return fmt.Errorf("the core answered for %d rows of %d", len(got.GetResults()), len(batch))
				}
				report.results = append(report.results, got.GetResults()...)
				report.trials = append(report.trials, got.GetTrialIds()...)
			}
			return a.showImport(report)
		},
	}
	f := c.Flags()
	f.StringVar(&mapping, "mapping", "", "mapping file (required)")
	f.StringVar(&join, "join", "", "second table, when the mapping joins one")
	f.StringVar(&source, "source", "", "name of the source, in place of the mapping's")
	f.StringVar(&share, "share", "mine", "who may read the trials of a first import: mine, cooperative or public")
	f.StringVar(&licence, "licence", "", "required with --share public: an SPDX identifier such as CC-BY-4.0")
	f.BoolVar(&update, "update", false, "let changed content replace what an earlier import brought")
	f.BoolVar(&check, "check", false, "read everything and send nothing")
	return c
}

type importReport struct {
	results []*labv1.ImportRowResult
	trials  []string
}

func (r *importReport) count(o labv1.ImportOutcome) int {
	n := 0
	for _, x := range r.results {
		if x.GetOutcome() == o {
			n++
		}
	}
	return n
}

func (r *importReport) summary() string {
	return fmt.Sprintf("%d added, %d unchanged, %d updated, %d in conflict, %d refused",
		r.count(labv1.ImportOutcome_IMPORT_OUTCOME_ADDED), r.count(labv1.ImportOutcome_IMPORT_OUTCOME_UNCHANGED), r.count(labv1.ImportOutcome_IMPORT_OUTCOME_UPDATED),
		r.count(labv1.ImportOutcome_IMPORT_OUTCOME_CONFLICT), r.count(labv1.ImportOutcome_IMPORT_OUTCOME_REFUSED))
}

// showImport reports every row as JSON or CSV; of the table only the rows that did not go in, and the summary.
func (a *app) showImport(r *importReport) error {
	sort.SliceStable(r.results, func(i, j int) bool { return r.results[i].GetRowNumber() < r.results[j].GetRowNumber() })
	seen := map[string]bool{}
	all := &labv1.ImportReadingsResponse{Results: r.results}
	for _, t := range r.trials {
		if !seen[t] {
			seen[t] = true
			all.TrialIds = append(all.TrialIds, t)
		}
	}
	g := output.Grid{Columns: []string{"line", "row_key", "outcome", "reason", "reading_id"}}
	trouble := output.Grid{Title: "rows that did not go in", Columns: []string{"line", "row", "outcome", "reason"}}
	for _, x := range r.results {
		g.Add(x.GetRowNumber(), x.GetRowKey(), words.Show(x.GetOutcome()), x.GetReason(), x.GetReadingId())
		if o := x.GetOutcome(); o == labv1.ImportOutcome_IMPORT_OUTCOME_REFUSED || o == labv1.ImportOutcome_IMPORT_OUTCOME_CONFLICT {
			trouble.Add(x.GetRowNumber(), x.GetRowKey(), words.Show(o), x.GetReason())
		}
	}
	var err error
	if output.Format(a.format) == output.Table {
		if len(trouble.Rows) > 0 {
			err = output.WriteTable(a.Out, trouble)
		}
		if err == nil {
			_, err = fmt.Fprintf(a.Out, "%s\n", r.summary())
		}
		for _, t := range all.GetTrialIds() {
			a.say("the rows are in trial %s", t)
		}
	} else {
		a.say("%s", r.summary())
		err = a.show(all, g)
	}
	switch {
	case err != nil:
		return err
	case r.count(labv1.ImportOutcome_IMPORT_OUTCOME_REFUSED) > 0:
		return &outcome{ExitInput}
	case r.count(labv1.ImportOutcome_IMPORT_OUTCOME_CONFLICT) > 0:
		return &outcome{ExitConflict}
	}
	return nil
}
