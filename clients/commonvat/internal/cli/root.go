// Package cli is the command line of Commonvat. Answers go to standard output,
// messages to standard error; exit codes are the Exit constants.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime/debug"
	"strings"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/connect"
	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/settings"
	"github.com/commonvat/commonvat/clients/commonvat/internal/trace"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
)

// Surroundings is what the program has from outside.
type Surroundings struct {
	In       io.Reader
	Out, Err io.Writer
	Getenv   func(string) string
}

type app struct {
	Surroundings
	format    string
	server    string
	config    string
	tls       tlsFiles
	timeout   time.Duration
	requestID string
	etag      string // of the record that is changed, as it was sent or is to be

	tokenFrom string // where the token of the call came from, for people

	conn     *grpc.ClientConn
	endTrace func() error
}

// Run runs one command and gives the exit code.
func Run(ctx context.Context, args []string, s Surroundings) int {
	a := &app{Surroundings: s}
	root := a.root() //nolint:contextcheck // each command gets its context from ExecuteContext below
	root.SetArgs(args)
	root.SetIn(s.In)
	root.SetOut(s.Out)
	root.SetErr(s.Err)
	c, err := root.ExecuteContextC(ctx)
	if a.conn != nil {
		if closing := a.conn.Close(); err == nil {
			err = closing
		}
	}
	if a.endTrace != nil {
		if late := a.endTrace(); late != nil {
			a.say("commonvat: traces were not sent: %v", late)
		}
	}
	if err == nil {
		return ExitOK
	}
	code := exitCode(err)
	var said *outcome
	if !errors.As(err, &said) {
		for i, line := range explain(err, a.server, a.tokenFrom, a.timeout, flagFor(c)) {
			if i == 0 {
				line = "commonvat: " + line
			}
			a.say("%s", line)
		}
		if code == ExitUnavailable && a.requestID != "" && reasonOf(err) != noModule {
			again := "--request-id " + a.requestID
			if a.etag != "" {
				again += " --etag " + etag(a.etag)
			}
			a.say("nothing tells whether it was written; to send the very same request again add: %s", again)
		}
	}
	return code
}

// say writes a message for people to standard error.
func (a *app) say(format string, args ...any) {
	_, _ = fmt.Fprintf(a.Err, format+"\n", args...) // nowhere to report it
}

const exitHelp = `
Exit codes: 0 done; 1 other fault; 2 wrong command line; 3 not found; 4 not signed in or not allowed;
5 conflict with the record; 6 no answer in time; 7 wrong input, or rows refused.`

func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "commonvat",
		Short: "Keep and ask a dye cooperative's trial records",
		Long: `Keep and ask a dye cooperative's trial records.

The server comes from --server, else COMMONVAT_SERVER, else the settings file that sign-in writes. The token comes from
the file that COMMONVAT_TOKEN_FILE names, else from the settings file; a kept token is sent only to the server it was kept for.
` + exitHelp,
		SilenceUsage: true, SilenceErrors: true,
		Args: cobra.ArbitraryArgs, RunE: group,
	}
	root.CompletionOptions.HiddenDefaultCmd = true
	f := root.PersistentFlags()
	f.StringVar(&a.server, "server", "", "address of the core, HOST:PORT")
	f.StringVar(&a.format, "output", "table", "how answers are written: table, json or csv")
	f.DurationVar(&a.timeout, "timeout", 20*time.Second, fmt.Sprintf("longest wait for one answer; palette and predict wait %.0f minutes unless it is given", poolTimeout.Minutes()))
	f.StringVar(&a.config, "config", "", "settings file (default: commonvat/settings.json in the user's configuration folder)")
	f.StringVar(&a.tls.ca, "tls-ca", "", "certificates (PEM) that the server's own must descend from; uses TLS on loopback too")
	f.StringVar(&a.tls.cert, "tls-cert", "", "certificate (PEM) to show to a server that asks for one; needs --tls-key")
	f.StringVar(&a.tls.key, "tls-key", "", "private key (PEM, mode 0600) to --tls-cert")
	f.StringVar(&a.tls.ca, "ca-file", "", "former name of --tls-ca")
	_ = f.MarkHidden("ca-file") // it is there: two lines up
	root.SetFlagErrorFunc(flagFault)
	root.PersistentPreRunE = func(*cobra.Command, []string) error {
		if _, err := output.ParseFormat(a.format); err != nil {
			return usage("--output: %v", err)
		}
		if a.timeout <= 0 {
			return usage("--timeout must be above 0")
		}
		if a.requestID != "" {
			if err := ids.Check(a.requestID); err != nil {
				return usage("--request-id: %v", err)
			}
		}
		return nil
	}
	root.AddCommand(a.signIn(), a.whoAmI(), a.trial(), a.look(), a.readingCommand(), a.judgement(), a.piece(), a.bath(), a.water(),
		a.experiment(), a.plan(), a.sheet(), a.workshop(), a.watch(), a.palette(), a.status(), a.difference(), a.predict(), a.importCommand(), a.members(), a.modules(), a.packs(), a.run(), a.pool(), a.authoring(), a.compute(), a.token(), a.audit(), a.export(), a.version())
	giveExamples(root, "")
	return root
}

// group is a command that only holds others.
func group(c *cobra.Command, args []string) error {
	if len(args) == 0 {
		return c.Help()
	}
	meant := ""
	c.SuggestionsMinimumDistance = 2
	if near := c.SuggestionsFor(args[0]); len(near) > 0 {
		meant = "did you mean " + strings.Join(near, " or ") + "? "
	}
	return usage("%s has no command %q; %ssee: %s --help", c.CommandPath(), args[0], meant, c.CommandPath())
}

// flagValues says what a flag of a type takes, where it isn't any text.
var flagValues = map[string]string{
	"bool": "true or false", "duration": "a duration, such as 20s or 2m", "int32": "a whole number", "int64": "a whole number",
	"uint64": "a whole number of 0 or more", "float64": "a number",
}

// flagFault says of a wrong flag which it is, and what it takes.
func flagFault(c *cobra.Command, err error) error {
	var invalid *pflag.InvalidValueError
	if errors.As(err, &invalid) {
		if wanted := flagValues[invalid.GetFlag().Value.Type()]; wanted != "" {
			return usage("--%s: %q is not %s; see: %s --help", invalid.GetFlag().Name, invalid.GetValue(), wanted, c.CommandPath())
		}
	}
	return usage("%v; see: %s --help", err, c.CommandPath())
}

func groupOf(use, short string, commands ...*cobra.Command) *cobra.Command {
	c := &cobra.Command{Use: use, Short: short, Args: cobra.ArbitraryArgs, RunE: group}
	c.AddCommand(commands...)
	return c
}

// takes makes an argument check for exactly these arguments.
func takes(names ...string) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) != len(names) {
			return usage("%s: arguments wanted: %d, given: %d; usage: %s; see: %s --help", c.CommandPath(), len(names), len(args), c.UseLine(), c.CommandPath())
		}
		return nil
	}
}

func (a *app) writes(c *cobra.Command) *cobra.Command {
	c.Flags().StringVar(&a.requestID, "request-id", "", "send a request again under the id it was first sent under (a version 7 UUID)")
	return c
}

// adds is for commands that add to a record. They apply to the record as it now is, whatever changed, unless an etag is given.
func (a *app) adds(c *cobra.Command, noun string) *cobra.Command {
	c.Flags().StringVar(&a.etag, "etag", "", "do it only if the "+noun+" is as it was when it had this etag (default: whatever it has become)")
	return a.writes(c)
}

// seed is the id from which a request and all that it makes are named.
func (a *app) seed() (string, error) {
	if a.requestID == "" {
		id, err := ids.New()
		if err != nil {
			return "", err
		}
		a.requestID = id
	}
	return a.requestID, nil
}

func (a *app) settingsPath() (string, error) {
	if a.config != "" {
		return a.config, nil
	}
	return settings.DefaultPath()
}

// dial opens the connection with what flags, environment and settings file say, in that order.
func (a *app) dial(ctx context.Context) (*grpc.ClientConn, error) {
	if a.conn != nil {
		return a.conn, nil
	}
	path, err := a.settingsPath()
	if err != nil && a.server == "" && a.Getenv("COMMONVAT_SERVER") == "" {
		return nil, err
	}
	var kept settings.Settings
	if err == nil {
		if kept, err = settings.Load(path); err != nil {
			return nil, input("%w", err)
		}
	}
	if a.server == "" {
		a.server = a.Getenv("COMMONVAT_SERVER")
	}
	if a.server == "" {
		a.server = kept.Server
	}
	if a.server == "" {
		return nil, usage("no server is known: give --server HOST:PORT, or sign in first (commonvat sign-in --server HOST:PORT)")
	}
	if a.server == kept.Server {
		a.tls.fill(kept)
	}
	options := a.tls.options(a.server, "")
	a.tokenFrom = "no token is kept for this server"
	if file := a.Getenv("COMMONVAT_TOKEN_FILE"); file != "" {
		data, err := settings.ReadPrivate(file)
		if err != nil {
			return nil, input("COMMONVAT_TOKEN_FILE: %w", err)
		}
		if options.Token, err = settings.ReadToken(data); err != nil {
			return nil, input("COMMONVAT_TOKEN_FILE: %s: %w", file, err)
		}
		a.tokenFrom = "it came from " + file + ", which COMMONVAT_TOKEN_FILE names"
	} else if a.server == kept.Server && kept.Token != "" {
		options.Token = kept.Token
		a.tokenFrom = "it came from " + path
	}
	err = a.open(ctx, options)
	return a.conn, err
}

// tlsFiles are the files of a connection by TLS.
type tlsFiles struct{ ca, cert, key string }

// fill takes from the settings what no flag gave. A certificate and its key are taken from the same place.
func (t *tlsFiles) fill(kept settings.Settings) {
	if t.ca == "" {
		t.ca = kept.CAFile
	}
	if t.cert == "" && t.key == "" {
		t.cert, t.key = kept.CertFile, kept.KeyFile
	}
}

func (t *tlsFiles) options(server, token string) connect.Options {
	return connect.Options{Server: server, Token: token, CAFile: t.ca, CertFile: t.cert, KeyFile: t.key}
}

// open makes the connection, traced when the environment asks for it.
func (a *app) open(ctx context.Context, o connect.Options) error {
	if trace.On(a.Getenv) {
		option, end, err := trace.Start(ctx)
		if err != nil {
			return err
		}
		a.endTrace = end
		o.More = append(o.More, option)
	}
	var err error
	if a.conn, err = connect.Dial(o); err != nil {
		return usage("%v", err)
	}
	return nil
}

// poolTimeout is how long to wait for the answer to a pooled question, unless --timeout says otherwise. It is longer than the core gives the modules that
// such a question asks in turn, a minute each, so that the core, and not a timeout here, says which of them it was too much for.
const poolTimeout = 5 * time.Minute

// call runs one unary call with the deadline.
func call[Q, R any](ctx context.Context, a *app, rpc func(context.Context, Q, ...grpc.CallOption) (R, error), request Q) (R, error) {
	ctx, cancel := context.WithTimeout(ctx, a.timeout)
	defer cancel()
	return rpc(ctx, request)
}

// ask is call for a pooled question: it waits for poolTimeout, unless --timeout was given.
func ask[Q, R any](c *cobra.Command, a *app, rpc func(context.Context, Q, ...grpc.CallOption) (R, error), request Q) (R, error) {
	usual := a.timeout
	if !c.Flags().Changed("timeout") {
		a.timeout = poolTimeout
	}
	got, err := call(c.Context(), a, rpc, request)
	if err == nil {
		a.timeout = usual
	}
	return got, err
}

// show writes an answer: the message as JSON, or its grids. CSV has the first grid alone.
func (a *app) show(m proto.Message, grids ...output.Grid) error {
	switch output.Format(a.format) {
	case output.JSON:
		return output.WriteJSON(a.Out, m)
	case output.CSV:
		return output.WriteCSV(a.Out, grids[0])
	}
	for i, g := range grids {
		if i > 0 {
			if len(g.Rows) == 0 {
				continue
			}
			if _, err := io.WriteString(a.Out, "\n"); err != nil {
				return err
			}
		}
		if err := output.WriteTable(a.Out, g); err != nil {
			return err
		}
	}
	return nil
}

const maxInput = 64 << 20

// readInput reads a file; "-" is standard input.
func (a *app) readInput(name string) ([]byte, error) {
	from := a.In
	if name != "-" {
		f, err := os.Open(name)
		if errors.Is(err, fs.ErrNotExist) {
			return nil, input("there is no file %s", name)
		}
		if err != nil {
			return nil, input("%w", err)
		}
		defer f.Close() //nolint:errcheck // read only
		from = f
	}
	data, err := io.ReadAll(io.LimitReader(from, maxInput+1))
	if err != nil {
		return nil, input("%w", err)
	}
	if len(data) > maxInput {
		return nil, input("%s has more than %d bytes", name, maxInput)
	}
	return data, nil
}

func (a *app) version() *cobra.Command {
	return &cobra.Command{Use: "version", Short: "Show the version of this program", Args: takes(), RunE: func(*cobra.Command, []string) error {
		version, revision := "unknown", ""
		if info, ok := debug.ReadBuildInfo(); ok {
			version = info.Main.Version
			for _, s := range info.Settings {
				if s.Key == "vcs.revision" {
					revision = " " + s.Value
				}
			}
		}
		_, err := fmt.Fprintf(a.Out, "commonvat %s%s\n", version, revision)
		return err
	}}
}
