package cli

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/settings"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	"github.com/spf13/cobra"
)

func (a *app) signIn() *cobra.Command {
	var tokenFile string
	c := &cobra.Command{
		Use: "sign-in --server HOST:PORT [--token-file FILE]", Short: "Check a token with the core and keep it",
		Long: `Check a token with the core and keep it, with the server's address, in the settings file (mode 0600).

The token is read from --token-file, or from standard input; on a terminal it is asked for and not shown.
A token is never given on the command line, where others could read it.`,
		Args: takes(),
		RunE: func(c *cobra.Command, _ []string) error {
			if a.server == "" {
				a.server = a.Getenv("COMMONVAT_SERVER")
			}
			if a.server == "" {
				return usage("--server HOST:PORT is required")
			}
			token, err := a.askToken(tokenFile)
			if err != nil {
				return err
			}
			a.tokenFrom = "nothing was kept"
			if err := a.open(c.Context(), a.tls.options(a.server, token)); err != nil {
				return err
			}
			me, err := call(c.Context(), a, accessv1.NewAccessServiceClient(a.conn).GetCurrentMember, &accessv1.GetCurrentMemberRequest{})
			if err != nil {
				return err
			}
			path, err := a.settingsPath()
			if err != nil {
				return err
			}
			if err := (settings.Settings{Server: a.server, Token: token, CAFile: a.tls.ca, CertFile: a.tls.cert, KeyFile: a.tls.key}).Save(path); err != nil {
				return err
			}
			a.say("signed in as %s (%s); kept in %s", output.Clean(me.GetId()), output.Clean(me.GetDisplayName()), path)
			return nil
		},
	}
	c.Flags().StringVar(&tokenFile, "token-file", "", "file with the token, mode 0600")
	return c
}

func (a *app) askToken(file string) (string, error) {
	var data []byte
	var err error
	switch in, isFile := a.In.(*os.File); {
	case file != "":
		data, err = settings.ReadPrivate(file)
	case isFile && isTerminal(in):
		_, _ = fmt.Fprint(a.Err, "token: ")
		data, err = readUnseen(in)
		a.say("")
	default:
		data, err = io.ReadAll(io.LimitReader(a.In, 4096))
	}
	if err != nil {
		return "", input("%w", err)
	}
	token, err := settings.ReadToken(data)
	if err != nil {
		return "", input("%v", err)
	}
	return token, nil
}

// readLine reads up to a line's end.
func readLine(r io.Reader) ([]byte, error) {
	var line []byte
	var one [1]byte
	for len(line) < 4096 {
		n, err := r.Read(one[:])
		if n == 1 {
			if one[0] == '\n' {
				break
			}
			line = append(line, one[0])
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
	}
	return line, nil
}

func roles(m *accessv1.Member) string {
	var out []string
	for _, r := range m.GetRoles() {
		out = append(out, words.Show(r))
	}
	return strings.Join(out, ", ")
}

func (a *app) whoAmI() *cobra.Command {
	return &cobra.Command{Use: "whoami", Short: "Show who the core takes you for", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		conn, err := a.dial(c.Context())
		if err != nil {
			return err
		}
		me, err := call(c.Context(), a, accessv1.NewAccessServiceClient(conn).GetCurrentMember, &accessv1.GetCurrentMemberRequest{})
		if err != nil {
			return err
		}
		g := output.Grid{Columns: []string{"member", "name", "roles"}}
		g.Add(me.GetId(), me.GetDisplayName(), roles(me))
		return a.show(me, g)
	}}
}
