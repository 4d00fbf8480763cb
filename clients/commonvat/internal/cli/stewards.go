package cli

import (
	"context"
	"fmt"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"
)

func (a *app) access(ctx context.Context) (accessv1.AccessServiceClient, error) {
	conn, err := a.dial(ctx)
	if err != nil {
		return nil, err
	}
	return accessv1.NewAccessServiceClient(conn), nil
}

func memberGrid(list ...*accessv1.Member) output.Grid {
	g := output.Grid{Columns: []string{"member", "name", "roles", "since"}}
	for _, m := range list {
		g.Add(m.GetId(), m.GetDisplayName(), roles(m), stamp(m.GetCreateTime()))
	}
	return g
}

func (a *app) members() *cobra.Command {
	list := &cobra.Command{Use: "list", Short: "List the members", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		client, err := a.access(c.Context())
		if err != nil {
			return err
		}
		r, err := call(c.Context(), a, client.ListMembers, &accessv1.ListMembersRequest{})
		if err != nil {
			return err
		}
		return a.show(r, memberGrid(r.GetMembers()...))
	}}
	var name string
	var roleWords []string
	add := &cobra.Command{Use: "add MEMBER --name NAME", Short: "Take in a member (stewards)", Args: takes("MEMBER"), RunE: func(c *cobra.Command, args []string) error {
		m := &accessv1.Member{Id: args[0], DisplayName: name}
		for _, w := range roleWords {
			r, err := words.Parse[accessv1.Role](w)
			if err != nil {
				return usage("--role: %v", err)
			}
			m.Roles = append(m.Roles, r)
		}
		client, err := a.access(c.Context())
		if err != nil {
			return err
		}
		got, err := call(c.Context(), a, client.CreateMember, &accessv1.CreateMemberRequest{Member: m})
		if err != nil {
			return err
		}
		return a.show(got, memberGrid(got))
	}}
	add.Flags().StringVar(&name, "name", "", "name to show")
	add.Flags().StringArrayVar(&roleWords, "role", []string{"member"}, "member, researcher, coordinator or steward; may be repeated")
	all := groupOf("members", "List members, or take one in", list, add)
	all.RunE = func(c *cobra.Command, args []string) error {
		if len(args) > 0 {
			return group(c, args)
		}
		return list.RunE(c, args)
	}
	return all
}

func (a *app) modules() *cobra.Command {
	return &cobra.Command{Use: "modules", Short: "List the calculation modules and how they fare", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		conn, err := a.dial(c.Context())
		if err != nil {
			return err
		}
		r, err := call(c.Context(), a, catalogv1.NewCatalogServiceClient(conn).ListModules, &catalogv1.ListModulesRequest{})
		if err != nil {
			return err
		}
		g := output.Grid{Columns: []string{"kind", "module", "version", "state", "default", "restarts", "since", "reason", "digest"}}
		for _, m := range r.GetModules() {
			id := m.GetModule()
			g.Add(id.GetKind(), id.GetName(), id.GetVersion(), words.Show(m.GetState()), m.GetDefaultOfKind(), m.GetRestarts(), stamp(m.GetSince()), m.GetReason(), id.GetDigest())
		}
		return a.show(r, g)
	}}
}

func (a *app) token() *cobra.Command {
	var label, expires string
	issue := &cobra.Command{
		Use: "issue MEMBER", Short: "Make a token for a member (stewards); it is shown this once",
		Long: `Make a token for a member (stewards). The token is shown this once, on standard output; each call makes another one,
so this call is never repeated by itself.`,
		Args: takes("MEMBER"), RunE: func(c *cobra.Command, args []string) error {
			req := &accessv1.IssueTokenRequest{MemberId: args[0], Label: label}
			if expires != "" {
				t, err := time.Parse(time.RFC3339, expires)
				if err != nil {
					if t, err = time.Parse("2006-01-02", expires); err != nil {
						return usage("--expires: %q must be a day such as 2027-01-31 or a time such as 2027-01-31T12:00:00Z", expires)
					}
				}
				req.ExpireTime = timestamppb.New(t)
			}
			client, err := a.access(c.Context())
			if err != nil {
				return err
			}
			r, err := call(c.Context(), a, client.IssueToken, req)
			if err != nil {
				return err
			}
			if output.Format(a.format) == output.Table {
				a.say("token %s of member %s; keep it now, it can't be shown again", output.Clean(r.GetTokenId()), output.Clean(args[0]))
				_, err := fmt.Fprintln(a.Out, output.Clean(r.GetToken()))
				return err
			}
			g := output.Grid{Columns: []string{"token_id", "token"}}
			g.Add(r.GetTokenId(), r.GetToken())
			return a.show(r, g)
		},
	}
	issue.Flags().StringVar(&label, "label", "", "what the token is for")
	issue.Flags().StringVar(&expires, "expires", "", "when it ends: a day (from its beginning, UTC) or a time; default: never")
	revoke := &cobra.Command{Use: "revoke TOKEN_ID", Short: "End a token at once", Args: takes("TOKEN_ID"), RunE: func(c *cobra.Command, args []string) error {
		client, err := a.access(c.Context())
		if err != nil {
			return err
		}
		r, err := call(c.Context(), a, client.RevokeToken, &accessv1.RevokeTokenRequest{TokenId: args[0]})
		if err != nil {
			return err
		}
		a.say("token %s is ended", output.Clean(args[0]))
		if output.Format(a.format) == output.JSON {
			return output.WriteJSON(a.Out, r)
		}
		return nil
	}}
	return groupOf("token", "Make and end tokens", issue, revoke)
}
