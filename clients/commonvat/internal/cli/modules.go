package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	"github.com/commonvat/commonvat/plugins/conformance"
	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

func (a *app) catalog(ctx context.Context) (catalogv1.CatalogServiceClient, error) {
	conn, err := a.dial(ctx)
	if err != nil {
		return nil, err
	}
	return catalogv1.NewCatalogServiceClient(conn), nil
}

func (a *app) modules() *cobra.Command {
	list := &cobra.Command{Use: "list", Short: "List the modules that serve, and how they fare", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		client, err := a.catalog(c.Context())
		if err != nil {
			return err
		}
		r, err := call(c.Context(), a, client.ListModules, &catalogv1.ListModulesRequest{})
		if err != nil {
			return err
		}
		return a.show(r, moduleGrid(r.GetModules()...))
	}}
	all := groupOf("modules", "List the modules that serve, or choose which do", list, a.moduleBuilds(), a.moduleReport(), a.moduleHeld(), a.activate(),
		a.choice("default NAME", "Make a module answer for its kind (coordinators)", func(ctx context.Context, client catalogv1.CatalogServiceClient, name, reason string) (*catalogv1.ModuleStatus, error) {
			return call(ctx, a, client.SetDefaultModule, &catalogv1.SetDefaultModuleRequest{Name: name, Reason: reason})
		}),
		a.choice("roll-back NAME", "Go back to the build that served before", func(ctx context.Context, client catalogv1.CatalogServiceClient, name, reason string) (*catalogv1.ModuleStatus, error) {
			return call(ctx, a, client.RollBackModule, &catalogv1.RollBackModuleRequest{Name: name, Reason: reason})
		}),
		a.choice("retire NAME", "Take a module out; its builds stay installed", func(ctx context.Context, client catalogv1.CatalogServiceClient, name, reason string) (*catalogv1.ModuleStatus, error) {
			_, err := call(ctx, a, client.RetireModule, &catalogv1.RetireModuleRequest{Name: name, Reason: reason})
			return nil, err
		}),
		a.liftQuarantine())
	all.RunE = func(c *cobra.Command, args []string) error {
		if len(args) > 0 {
			return group(c, args)
		}
		return list.RunE(c, args)
	}
	return all
}

func (a *app) moduleBuilds() *cobra.Command {
	return &cobra.Command{Use: "builds", Short: "List every installed build, with its report and whether it serves", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		client, err := a.catalog(c.Context())
		if err != nil {
			return err
		}
		r, err := call(c.Context(), a, client.ListBuilds, &catalogv1.ListBuildsRequest{})
		if err != nil {
			return err
		}
		g := output.Grid{Columns: []string{"kind", "module", "version", "report", "serves", "default", "digest"}}
		for _, b := range r.GetBuilds() {
			id := b.GetModule()
			g.Add(id.GetKind(), id.GetName(), id.GetVersion(), words.Show(b.GetReport()), b.GetActive(), b.GetDefaultOfKind(), id.GetDigest())
		}
		return a.show(r, g)
	}}
}

func (a *app) moduleReport() *cobra.Command {
	return &cobra.Command{Use: "report BUILD", Short: "Show what the conformance suite found of a build", Long: "Show what the conformance suite found of a build. " + buildHelp, Args: takes("BUILD"), RunE: func(c *cobra.Command, args []string) error {
		client, err := a.catalog(c.Context())
		if err != nil {
			return err
		}
		digest, err := a.digestOf(c.Context(), client, args[0], false)
		if err != nil {
			return err
		}
		r, err := call(c.Context(), a, client.GetBuildReport, &catalogv1.GetBuildReportRequest{Digest: digest})
		if err != nil {
			return err
		}
		if r.GetReportJson() == "" {
			_, err := fmt.Fprintln(a.Out, "This build was installed without being tried.")
			return err
		}
		if told := (&conformance.Report{}); output.Format(a.format) != output.JSON && json.Unmarshal([]byte(r.GetReportJson()), told) == nil {
			return a.showReport(told)
		}
		_, err = io.WriteString(a.Out, r.GetReportJson()+"\n")
		return err
	}}
}

func (a *app) moduleHeld() *cobra.Command {
	return &cobra.Command{Use: "held NAME", Short: "Show what a module's sandbox refuses it, and what it does not", Args: takes("NAME"), RunE: func(c *cobra.Command, args []string) error {
		client, err := a.catalog(c.Context())
		if err != nil {
			return err
		}
		r, err := call(c.Context(), a, client.ListModules, &catalogv1.ListModulesRequest{})
		if err != nil {
			return err
		}
		for _, m := range r.GetModules() {
			if m.GetModule().GetName() != args[0] {
				continue
			}
			g := output.Grid{Columns: []string{"refused", "what"}}
			for _, what := range m.GetRefusedToIt() {
				g.Add(true, what)
			}
			for _, what := range m.GetNotRefusedToIt() {
				g.Add(false, what)
			}
			return a.show(m, g)
		}
		return status.Errorf(codes.NotFound, "no module that serves is called %q; see: commonvat modules", args[0])
	}}
}

func (a *app) activate() *cobra.Command {
	var reason string
	var makeDefault bool
	c := &cobra.Command{
		Use: "activate BUILD", Short: "Bring an installed build to serve, while everything goes on",
		Long: `Bring an installed build to serve in place of the one of its name: it is started and tried beside it, and then calls move
over. When it fails a step, what served goes on serving. What answers by default is a coordinator's to change; other modules are a researcher's too.
` + buildHelp,
		Args: takes("BUILD"), RunE: func(c *cobra.Command, args []string) error {
			client, err := a.catalog(c.Context())
			if err != nil {
				return err
			}
			digest, err := a.digestOf(c.Context(), client, args[0], true)
			if err != nil {
				return err
			}
			m, err := call(c.Context(), a, client.ActivateModule, &catalogv1.ActivateModuleRequest{Digest: digest, MakeDefault: makeDefault, Reason: reason})
			if err != nil {
				return err
			}
			return a.show(m, moduleGrid(m))
		}}
	c.Flags().BoolVar(&makeDefault, "default", false, "make it answer for its kind too (coordinators)")
	c.Flags().StringVar(&reason, "reason", "", "why, for the audit trail")
	return c
}

// buildHelp says how a build is named.
const buildHelp = `BUILD is a digest or the beginning of one, a NAME of which one build is installed, or NAME@VERSION; "commonvat modules builds" lists them.`

var digestForm = regexp.MustCompile(`^[0-9a-f]{64}$`)

// digestOf finds the installed build that text means. A whole digest isn't looked up. Of several builds, the one that passed is meant where it is to serve,
// since no other could.
func (a *app) digestOf(ctx context.Context, client catalogv1.CatalogServiceClient, text string, toServe bool) (string, error) {
	if digestForm.MatchString(text) {
		return text, nil
	}
	r, err := call(ctx, a, client.ListBuilds, &catalogv1.ListBuildsRequest{})
	if err != nil {
		return "", err
	}
	const least = 6 // digits of a digest's beginning
	var found, passed []*typesv1.ModuleIdentity
	for _, b := range r.GetBuilds() {
		id := b.GetModule()
		if text == id.GetName() || text == id.GetName()+"@"+id.GetVersion() || len(text) >= least && strings.HasPrefix(id.GetDigest(), text) {
			found = append(found, id)
			if b.GetReport() == catalogv1.ReportStanding_REPORT_STANDING_PASSED {
				passed = append(passed, id)
			}
		}
	}
	if toServe && len(passed) > 0 {
		found = passed
	}
	switch len(found) {
	case 0:
		return "", usage("no installed build is called %q; see `commonvat modules builds`", text)
	case 1:
		return found[0].GetDigest(), nil
	}
	var names []string
	for _, id := range found {
		names = append(names, fmt.Sprintf("%s@%s (%.12s)", id.GetName(), id.GetVersion(), id.GetDigest()))
	}
	return "", usage("%q may be %s: say NAME@VERSION, or the beginning of the digest", text, strings.Join(names, ", "))
}

// choice is a command about one module by its name.
func (a *app) choice(use, short string, do func(ctx context.Context, client catalogv1.CatalogServiceClient, name, reason string) (*catalogv1.ModuleStatus, error)) *cobra.Command {
	var reason string
	c := &cobra.Command{Use: use, Short: short, Args: takes("NAME"), RunE: func(c *cobra.Command, args []string) error {
		client, err := a.catalog(c.Context())
		if err != nil {
			return err
		}
		m, err := do(c.Context(), client, args[0], reason)
		if err != nil {
			return err
		}
		if m == nil {
			_, err := fmt.Fprintln(a.Out, args[0]+" serves no more.")
			return err
		}
		return a.show(m, moduleGrid(m))
	}}
	c.Flags().StringVar(&reason, "reason", "", "why, for the audit trail")
	return c
}

func (a *app) liftQuarantine() *cobra.Command {
	var reason string
	c := &cobra.Command{
		Use: "lift-quarantine NAME", Short: "Let a quarantined module start again (stewards)",
		Long: `Let a quarantined module start again, and show what became of it. The exit code is 5 when it doesn't run. One that takes longer than ten seconds is shown as
starting; "commonvat modules" tells how it went on.`,
		Args: takes("NAME"), RunE: func(c *cobra.Command, args []string) error {
			client, err := a.catalog(c.Context())
			if err != nil {
				return err
			}
			m, err := call(c.Context(), a, client.LiftQuarantine, &catalogv1.LiftQuarantineRequest{Name: args[0], Reason: reason})
			if err != nil {
				return err
			}
			err = a.show(m, moduleGrid(m))
			switch m.GetState() {
			case catalogv1.ModuleState_MODULE_STATE_RUNNING:
			case catalogv1.ModuleState_MODULE_STATE_STARTING:
				a.say("%s is still starting; see: commonvat modules", args[0])
			case catalogv1.ModuleState_MODULE_STATE_BACKOFF:
				a.say("%s was started and does not run yet: it is tried again; see: commonvat modules", args[0])
				err = errors.Join(err, &outcome{ExitConflict})
			default:
				a.say("%s was started and does not run", args[0])
				err = errors.Join(err, &outcome{ExitConflict})
			}
			return err
		},
	}
	c.Flags().StringVar(&reason, "reason", "", "why, for the audit trail")
	return c
}

func moduleGrid(modules ...*catalogv1.ModuleStatus) output.Grid {
	g := output.Grid{Columns: []string{"kind", "module", "version", "state", "default", "restarts", "wrong answers", "since", "reason", "digest"}}
	for _, m := range modules {
		id := m.GetModule()
		g.Add(id.GetKind(), id.GetName(), id.GetVersion(), words.Show(m.GetState()), m.GetDefaultOfKind(), m.GetRestarts(), m.GetWrongAnswers(), stamp(m.GetSince()), m.GetReason(), id.GetDigest())
	}
	return g
}
