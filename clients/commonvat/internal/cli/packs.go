package cli

import (
	"context"
	"regexp"

	"github.com/spf13/cobra"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
)

func (a *app) packService(ctx context.Context) (catalogv1.PackServiceClient, error) {
	conn, err := a.dial(ctx)
	if err != nil {
		return nil, err
	}
	return catalogv1.NewPackServiceClient(conn), nil
}

func (a *app) packs() *cobra.Command {
	list := &cobra.Command{Use: "list", Short: "List the rule packs and tables of facts, and what is in force", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		client, err := a.packService(c.Context())
		if err != nil {
			return err
		}
		r, err := call(c.Context(), a, client.ListPacks, &catalogv1.ListPacksRequest{})
		if err != nil {
			return err
		}
		for _, name := range r.GetModulesWithout() {
			without := "checks"
			for _, p := range r.GetPacks() {
				if p.GetModule() == name && p.GetKind() == "mordant" {
					without = "answers"
				}
			}
			a.say("commonvat: nothing is in force for %s: it %s nothing", name, without)
		}
		return a.show(r, packGrid(r.GetPacks()...))
	}}
	show := &cobra.Command{
		Use: "show MODULE PACK", Short: "Print a pack as it is", Args: takes("MODULE", "PACK"),
		Long: `Print a pack as it is. PACK is a digest, or the name of what is in force.`,
		RunE: func(c *cobra.Command, args []string) error {
			client, err := a.packService(c.Context())
			if err != nil {
				return err
			}
			digest, err := a.packDigest(c.Context(), client, args[0], args[1])
			if err != nil {
				return err
			}
			r, err := call(c.Context(), a, client.GetPack, &catalogv1.GetPackRequest{Module: args[0], Sha256: digest})
			if err != nil {
				return err
			}
			if output.Format(a.format) != output.Table {
				return a.show(r, packGrid(r.GetPack()))
			}
			_, err = a.Out.Write(r.GetContent())
			return err
		}}
	all := groupOf("packs", "List rule packs and tables of facts, or choose which are in force", list, show, a.addPack(),
		a.packChoice("activate MODULE DIGEST", "Put a pack that is kept in force again (coordinators)",
			`Put a pack that is kept in force again, in place of what bears its name. The module tries it first.`,
			func(ctx context.Context, client catalogv1.PackServiceClient, module, digest, reason string) (*catalogv1.Pack, error) {
				return call(ctx, a, client.ActivatePack, &catalogv1.ActivatePackRequest{Module: module, Sha256: digest, Reason: reason})
			}),
		a.packChoice("retire MODULE PACK", "Take a pack out of force (coordinators)",
			`Take a pack out of force: whatever it stopped, it stops no more. It is kept, since earlier answers name it. PACK is a digest, or the name of what is in
force. Where nothing is left in force, plans are told "not checked".`,
			func(ctx context.Context, client catalogv1.PackServiceClient, module, digest, reason string) (*catalogv1.Pack, error) {
				if reason == "" {
					return nil, usage("--reason is required: whatever the pack stopped, it stops no more")
				}
				return call(ctx, a, client.RetirePack, &catalogv1.RetirePackRequest{Module: module, Sha256: digest, Reason: reason})
			}))
	all.RunE = func(c *cobra.Command, args []string) error {
		if len(args) > 0 {
			return group(c, args)
		}
		return list.RunE(c, args)
	}
	return all
}

func (a *app) addPack() *cobra.Command {
	var reason string
	c := &cobra.Command{
		Use: "add MODULE FILE", Short: "Add a pack and put it in force, while the lab runs (coordinators)",
		Long: `Add a pack (- is standard input) and put it in force from the next plan on, in place of what bears its name. The module that it is for reads and tries it
first; what it finds wrong is printed with its line, and nothing comes in then. A pack that is changed needs another version.`,
		Args: takes("MODULE", "FILE"), RunE: func(c *cobra.Command, args []string) error {
			content, err := a.readInput(args[1])
			if err != nil {
				return err
			}
			client, err := a.packService(c.Context())
			if err != nil {
				return err
			}
			p, err := call(c.Context(), a, client.AddPack, &catalogv1.AddPackRequest{Module: args[0], Content: content, Reason: reason})
			if err != nil {
				return &placed{err: err, named: func(field string) string {
					if field == "content" {
						return args[1]
					}
					return ""
				}}
			}
			return a.show(p, packGrid(p))
		}}
	c.Flags().StringVar(&reason, "reason", "", "why, for the audit trail")
	return c
}

// packChoice is a command about one pack.
func (a *app) packChoice(use, short, long string, do func(ctx context.Context, client catalogv1.PackServiceClient, module, digest, reason string) (*catalogv1.Pack, error)) *cobra.Command {
	var reason string
	c := &cobra.Command{Use: use, Short: short, Long: long, Args: takes("MODULE", "PACK"), RunE: func(c *cobra.Command, args []string) error {
		client, err := a.packService(c.Context())
		if err != nil {
			return err
		}
		digest, err := a.packDigest(c.Context(), client, args[0], args[1])
		if err != nil {
			return err
		}
		p, err := do(c.Context(), client, args[0], digest, reason)
		if err != nil {
			return err
		}
		return a.show(p, packGrid(p))
	}}
	c.Flags().StringVar(&reason, "reason", "", "why, for the audit trail")
	return c
}

var packDigestForm = regexp.MustCompile(`^[0-9a-f]{64}$`)

// packDigest is a digest as it was given, or that of the pack in force with that name.
func (a *app) packDigest(ctx context.Context, client catalogv1.PackServiceClient, module, pack string) (string, error) {
	if packDigestForm.MatchString(pack) {
		return pack, nil
	}
	r, err := call(ctx, a, client.ListPacks, &catalogv1.ListPacksRequest{})
	if err != nil {
		return "", err
	}
	for _, p := range r.GetPacks() {
		if p.GetModule() == module && p.GetName() == pack && p.GetInForce() {
			return p.GetSha256(), nil
		}
	}
	return "", usage("%q is neither a digest nor the name of a pack in force for %q; see `commonvat packs`", pack, module)
}

func packGrid(packs ...*catalogv1.Pack) output.Grid {
	g := output.Grid{Columns: []string{"module", "pack", "version", "in force", "came with module", "bytes", "changed", "by", "digest"}}
	for _, p := range packs {
		g.Add(p.GetModule(), p.GetName(), p.GetVersion(), p.GetInForce(), p.GetCameWithModule(), p.GetSizeBytes(), stamp(p.GetChangeTime()), p.GetChangedBy(), p.GetSha256())
	}
	return g
}
