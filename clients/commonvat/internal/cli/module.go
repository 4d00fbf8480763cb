package cli

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/compute"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/tryout"
	"github.com/commonvat/commonvat/plugins/conformance"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/template"
	"github.com/spf13/cobra"
)

// authoring are the commands for those who write modules. They need no core.
func (a *app) authoring() *cobra.Command {
	return groupOf("module", "Write a calculation module, try it and check it, without a server", a.moduleNew(), a.moduleTry(), a.moduleCheck())
}

func (a *app) moduleNew() *cobra.Command {
	var kind, language string
	c := &cobra.Command{
		Use: "new NAME FOLDER", Short: "Write the beginning of a module into a new folder",
		Long: `Write the beginning of a module into a new folder. NAME has lower-case letters, digits and single hyphens. A Go module needs Commonvat's source: its folder
lies in that tree, or anywhere with a go.work that names the tree. What to do next is said, and goes for the one or the other.
A Python module is built by nothing: its folder has the SDK in it and may lie anywhere. It runs in /usr/bin/python3 with Debian's python3-grpcio, python3-protobuf
and python3-cryptography, and python3-numpy if it imports that.`,
		Args: takes("NAME", "FOLDER"), RunE: func(_ *cobra.Command, args []string) error {
			if err := template.Write(args[1], args[0], kind, language); err != nil {
				return &inputError{err}
			}
			a.say("module %s is begun in %s; next:\n  %s", args[0], args[1], strings.Join(next(args[0], args[1], language), "\n  "))
			return nil
		},
	}
	c.Flags().StringVar(&kind, "kind", "palette", "what it computes: palette or difference")
	c.Flags().StringVar(&language, "language", "go", "language: "+strings.Join(template.Languages(), " or "))
	return c
}

// next is what an author does with a new module's folder.
func next(name, folder, language string) []string {
	try := []string{
		"commonvat module try " + folder + " CASES.jsonl", "commonvat module check " + folder,
		"commonvatd module install " + folder + " --data DATA, by the steward of your server",
	}
	if language != "go" {
		return append([]string{"(cd " + folder + " && /usr/bin/python3 -B -m unittest)"}, try...)
	}
	// Linked statically, a module needs no more of the system than one that is held may have.
	steps := []string{"CGO_ENABLED=0 go build -C " + folder + " -o " + sdk.ExecutablePrefix + name + " .", "go test -C " + folder + " ."}
	if !inTree(folder) {
		steps = append([]string{"(cd " + folder + " && go mod init " + name + " && go work init . SOURCE), SOURCE being the folder of Commonvat's source"}, steps...)
	}
	return append(steps, try...)
}

// inTree tells whether a folder is part of Commonvat's own Go module: whether the go.mod that is nearest above it is that one's.
func inTree(folder string) bool {
	at, err := filepath.Abs(folder)
	for ; err == nil; at = filepath.Dir(at) {
		text, missing := os.ReadFile(filepath.Join(at, "go.mod"))
		if missing == nil {
			return strings.HasPrefix(string(text), "module "+ownModule+"\n")
		}
		if at == filepath.Dir(at) {
			break
		}
	}
	return false
}

// ownModule is the path of Commonvat's Go module.
const ownModule = "github.com/commonvat/commonvat"

func (a *app) moduleTry() *cobra.Command {
	return &cobra.Command{
		Use: "try EXECUTABLE|FOLDER FILE", Short: "Put a file of cases to a module and print its answers as JSON Lines",
		Long: `Put a file of cases to a module and print its answers as JSON Lines, one for each case, in order. FILE is - for standard input. One case a line:
{"kind": "palette", "contract": "commonvat.module.palette.v2", "messages": [request messages as protobuf JSON]}
What the module prints and logs goes to standard error. The exit code is 7 when any line had an error. --timeout bounds one case. The module runs with your own rights, unprotected.`,
		Args: takes("EXECUTABLE|FOLDER", "FILE"), RunE: func(c *cobra.Command, args []string) (err error) {
			path, err := executable(args[0])
			if err != nil {
				return err
			}
			in := a.In
			if args[1] != "-" {
				f, err := os.Open(args[1])
				if errors.Is(err, os.ErrNotExist) {
					return input("there is no file %s", args[1])
				}
				if err != nil {
					return err
				}
				defer func() { _ = f.Close() }() // it was only read
				in = f
			}
			return a.try(c.Context(), path, in)
		},
	}
}

func (a *app) try(ctx context.Context, path string, in io.Reader) error {
	sockets, err := os.MkdirTemp("", "cv")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(sockets) }() // empty by then
	// Whoever waits here can give up; a core has less time for it.
	p, err := host.Start(ctx, host.Config{Path: path, SocketParent: sockets, StartTimeout: time.Minute, Logger: slog.New(heard{&sync.Mutex{}, a.Err})})
	if err != nil {
		return err
	}
	bad, err := a.tryCases(ctx, p, in)
	p.Stop(10 * time.Second) // then it says no more
	if err != nil {
		return err
	}
	if bad > 0 {
		a.say("%s had an error", counted(bad, "lines"))
		return &outcome{ExitInput}
	}
	return nil
}

func (a *app) tryCases(ctx context.Context, p *host.Process, in io.Reader) (bad int, err error) {
	d, err := p.Describe(ctx)
	if err != nil {
		return 0, err
	}
	return tryout.Run(ctx, p.Conn(), d.GetContracts(), a.timeout, in, a.Out)
}

func (a *app) moduleCheck() *cobra.Command {
	return &cobra.Command{
		Use: "check EXECUTABLE|FOLDER", Short: "Try a module with everything that is asked of one before it may serve",
		Long: `Try a module with everything that is asked of one before it may serve: start and end, handshake, description, bad and large input, deadlines, and the laws
that it promises. The exit code is 7 when any step failed. The module runs with your own rights, unprotected.`,
		Args: takes("EXECUTABLE|FOLDER"), RunE: func(c *cobra.Command, args []string) error {
			path, err := executable(args[0])
			if err != nil {
				return err
			}
			r, err := conformance.Run(c.Context(), conformance.Target{Executable: path}, conformance.Options{})
			if err != nil {
				return err
			}
			if err := a.showReport(r); err != nil {
				return err
			}
			if !r.Passed() {
				return &outcome{ExitInput}
			}
			return nil
		},
	}
}

// showReport writes a report, for people as it is meant for them.
func (a *app) showReport(r *conformance.Report) error {
	if output.Format(a.format) == output.Table {
		_, err := io.WriteString(a.Out, r.String())
		return err
	}
	g := output.Grid{Columns: []string{"outcome", "step", "contract", "asked", "reason"}}
	for _, s := range r.Steps {
		g.Add(string(s.Outcome), s.Name, s.Contract, s.Asked, s.Reason)
	}
	return a.showPlain(r, g)
}

// executable is the absolute path of a module's program: at itself, or the one that the module.json of a folder names.
func executable(at string) (string, error) {
	path, err := compute.Executable(at)
	var field *compute.FieldError
	if errors.As(err, &field) {
		return "", &inputError{err}
	}
	return path, err
}
