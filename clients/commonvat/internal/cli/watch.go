package cli

import (
	"errors"
	"fmt"
	"io"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/spf13/cobra"
)

func (a *app) watch() *cobra.Command {
	var after int64
	var count int
	c := &cobra.Command{
		Use: "watch", Short: "Show changes as they happen, until interrupted",
		Long: `Show changes as they happen, one a line, until interrupted. --after 0 shows all from the beginning; without --after only
new ones are shown. With --output json each line is one JSON object.`,
		Args: takes(),
		RunE: func(c *cobra.Command, _ []string) error {
			if after < -1 {
				return usage("--after must be a revision, 0 or -1")
			}
			client, err := a.trials(c.Context())
			if err != nil {
				return err
			}
			stream, err := client.WatchChanges(c.Context(), &labv1.WatchChangesRequest{AfterRevision: after})
			if err != nil {
				return err
			}
			last := after
			for seen := 0; count == 0 || seen < count; seen++ {
				change, err := stream.Recv()
				if err != nil {
					if errors.Is(err, io.EOF) || c.Context().Err() != nil {
						err = nil // interrupted: that is how this command ends
					} else if last > 0 {
						a.say("to go on from here: commonvat watch --after %d", last)
					}
					return err
				}
				last = change.GetRevision()
				if err := a.showChange(change, seen == 0); err != nil {
					return err
				}
			}
			return nil
		},
	}
	c.Flags().Int64Var(&after, "after", -1, "show changes after this revision")
	c.Flags().IntVar(&count, "count", 0, "stop after this many changes; 0 goes on until interrupted")
	return c
}

func (a *app) showChange(c *labv1.WatchChangesResponse, first bool) error {
	switch output.Format(a.format) {
	case output.JSON:
		return output.WriteJSONLine(a.Out, c)
	case output.CSV:
		g := output.Grid{Columns: []string{"revision", "time", "change", "record", "id", "by"}}
		g.Add(c.GetRevision(), stamp(c.GetTime()), words.Show(c.GetKind()), c.GetRecordKind(), c.GetRecordId(), c.GetByMember())
		return output.WriteCSV(unheaded(a.Out, !first), g)
	}
	by := ""
	if c.GetByMember() != "" { // of what may no longer be read it isn't told
		by = "  by " + output.Clean(c.GetByMember())
	}
	_, err := fmt.Fprintf(a.Out, "%d  %s  %s %s  %s%s\n", c.GetRevision(), stamp(c.GetTime()), output.Clean(c.GetRecordKind()),
		words.Show(c.GetKind()), output.Clean(c.GetRecordId()), by)
	return err
}

// unheaded leaves out the first line when skip is set.
func unheaded(w io.Writer, skip bool) io.Writer {
	if !skip {
		return w
	}
	return &skipLine{w: w}
}

type skipLine struct {
	w    io.Writer
	done bool
}

func (s *skipLine) Write(p []byte) (int, error) {
	n := len(p)
	if !s.done {
		for i, c := range p {
			if c == '\n' {
				s.done, p = true, p[i+1:]
				break
			}
		}
		if !s.done {
			return n, nil
		}
	}
	_, err := s.w.Write(p)
	return n, err
}
