package cli

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
)

// exportName is the file that a pool is exported to in a folder.
const exportName = "pool.jsonl"

func (a *app) pool() *cobra.Command {
	return groupOf("pool", "Take the pool home, under pseudonyms (researchers)", a.poolExport())
}

func (a *app) poolExport() *cobra.Command {
	var q questionFlags
	request := &catalogv1.ExportPoolRequest{}
	c := &cobra.Command{
		Use: "export --by order|water|fibre|mordant|exhaust FOLDER|FILE", Short: "Write what members share, under pseudonyms, as cases for `module try`",
		Long: `Write what members share as cases that ` + "`commonvat module try MODULE FILE`" + ` puts to a module without a server: JSON Lines, one case a line, each of whole groups,

  {"kind": "palette", "contract": "commonvat.module.palette.v2", "messages": [header, columns, ...]}

Readings, sessions, strata (yarn lots, instruments), cells and waters stand under pseudonyms that are drawn for this file alone; members, trials, titles and notes are not in it.
Dyes, mordants and fibres stand as they were entered. In a folder the file is called ` + exportName + `. A file that is there already is not overwritten; - is standard output.`,
		Args: takes("FOLDER|FILE"), RunE: func(c *cobra.Command, args []string) error {
			var err error
			if request.Question, err = q.take(c.Context(), a); err != nil {
				return err
			}
			client, err := a.runs(c.Context())
			if err != nil {
				return err
			}
			stream, err := client.ExportPool(c.Context(), request)
			if err != nil {
				return err
			}
			first, err := stream.Recv() // a refusal leaves no file
			if err != nil {
				return err
			}
			cases, path, err := a.writeCases(args[0], stream.Recv)
			if err != nil {
				return err
			}
			s := first.GetSummary()
			g := output.Grid{Columns: []string{"file", "cases", "rows", "groups", "strata", "sessions", "pool_revision"}}
			g.Add(path, cases, s.GetRows(), s.GetGroups(), s.GetStrata(), s.GetSessions(), s.GetPoolRevision())
			if path == "-" {
				a.say("%d cases of %d rows", cases, s.GetRows())
				return nil
			}
			return a.show(s, g)
		},
	}
	q.flags(c)
	f := c.Flags()
	f.BoolVar(&request.WithAges, "ages", false, "with the days between dyeing and reading")
	f.BoolVar(&request.WithSpectra, "spectra", false, "with the spectra, as they were read")
	f.Uint64Var(&request.Seed, "seed", 1, "seed that stands in the cases")
	f.StringVar(&request.Reason, "reason", "", "why, for the audit trail")
	return c
}

// writeCases writes what comes to a file that gets its name when it is whole.
func (a *app) writeCases(to string, receive func() (*catalogv1.ExportPoolResponse, error)) (cases int, path string, err error) {
	if to == "-" {
		cases, err = writeLines(a.Out, receive)
		return cases, to, err
	}
	if info, err := os.Stat(to); err == nil && info.IsDir() {
		to = filepath.Join(to, exportName)
	}
	if _, err := os.Lstat(to); err == nil {
		return 0, "", input("%s is there already", to)
	}
	f, err := os.CreateTemp(filepath.Dir(to), ".pool-*")
	if err != nil {
		return 0, "", err
	}
	defer func() { _ = os.Remove(f.Name()) }() // gone once it has its name
	cases, err = writeLines(f, receive)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return 0, "", err
	}
	if err := os.Link(f.Name(), to); err != nil { // and not a rename, which would put it in place of another
		return 0, "", err
	}
	return cases, to, nil
}

// writeLines writes one case a line: a header begins one.
func writeLines(to io.Writer, receive func() (*catalogv1.ExportPoolResponse, error)) (cases int, err error) {
	w := bufio.NewWriterSize(to, 64<<10)
	write := func(text string) {
		if err == nil {
			_, err = w.WriteString(text)
		}
	}
	for err == nil {
		part, problem := receive()
		if errors.Is(problem, io.EOF) {
			break
		}
		if problem != nil {
			return cases, problem
		}
		message := part.GetMessage()
		if message == nil {
			return cases, errors.New("the core sent an export that this program doesn't know")
		}
		text, problem := protojson.MarshalOptions{UseProtoNames: true}.Marshal(message)
		if problem != nil {
			return cases, fmt.Errorf("write case: %w", problem)
		}
		var line bytes.Buffer
		if problem := json.Compact(&line, text); problem != nil {
			return cases, fmt.Errorf("write case: %w", problem)
		}
		switch {
		case message.GetHeader() == nil && cases == 0:
			return cases, errors.New("the core sent columns without a header")
		case message.GetHeader() == nil:
			write(",")
		default:
			if cases > 0 {
				write("]}\n")
			}
			cases++
			write(`{"kind":"palette","contract":"commonvat.module.palette.v2","messages":[`)
		}
		write(line.String())
	}
	if cases > 0 {
		write("]}\n")
	}
	return cases, errors.Join(err, w.Flush())
}
