package cli

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
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
	add.Flags().StringSliceVar(&roleWords, "role", []string{"member"}, "member, researcher, coordinator or steward; several with commas, or repeated")
	all := groupOf("members", "List members, or take one in", list, add)
	all.RunE = func(c *cobra.Command, args []string) error {
		if len(args) > 0 {
			return group(c, args)
		}
		return list.RunE(c, args)
	}
	return all
}

func (a *app) tokenIssue() *cobra.Command {
	var label, expires, tokenFile string
	issue := &cobra.Command{
		Use: "issue MEMBER", Short: "Make a token for a member (stewards); it is shown this once",
		Long: `Make a token for a member (stewards). The token is shown this once, on standard output or in a new file that only you can read
(--token-file); each call makes another one, so this call is never repeated by itself.`,
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
			if tokenFile != "" {
				return a.tokenInto(c.Context(), client, req, tokenFile)
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
	issue.Flags().StringVar(&tokenFile, "token-file", "", "new file for the token, readable by you alone (default: it is printed)")
	return issue
}

// tokenInto writes a new token to a new file. The file is made first, so that no token is issued that can't be kept, and removed where issuing fails.
func (a *app) tokenInto(ctx context.Context, client accessv1.AccessServiceClient, req *accessv1.IssueTokenRequest, path string) (err error) {
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return usage("--token-file: %s is there already; choose a new path", path)
	}
	if err != nil {
		return usage("--token-file: %v", err)
	}
	defer func() {
		if err = errors.Join(err, file.Close()); err != nil {
			err = errors.Join(err, os.Remove(path))
		}
	}()
	r, err := call(ctx, a, client.IssueToken, req)
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintln(file, r.GetToken()); err != nil {
		return err
	}
	a.say("token %s of member %s is in %s", output.Clean(r.GetTokenId()), output.Clean(req.GetMemberId()), path)
	return file.Sync()
}

func (a *app) token() *cobra.Command {
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
	return groupOf("token", "Make, list and end tokens", a.tokenIssue(), a.tokenList(), revoke)
}

func (a *app) tokenList() *cobra.Command {
	return &cobra.Command{
		Use: "list [MEMBER]", Short: "List your tokens, or a member's (stewards), newest first; never their secrets",
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 1 {
				return usage("%s takes at most 1 argument, %d were given; usage: %s", c.CommandPath(), len(args), c.UseLine())
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			req := &accessv1.ListTokensRequest{}
			if len(args) == 1 {
				req.MemberId = args[0]
			}
			client, err := a.access(c.Context())
			if err != nil {
				return err
			}
			r, err := call(c.Context(), a, client.ListTokens, req)
			if err != nil {
				return err
			}
			g := output.Grid{Columns: []string{"token_id", "member", "label", "made", "ends", "ended", "last_used"}}
			for _, t := range r.GetTokens() {
				g.Add(t.GetId(), t.GetMemberId(), t.GetLabel(), stamp(t.GetCreateTime()), stamp(t.GetExpireTime()), stamp(t.GetRevokeTime()), stamp(t.GetLastUseTime()))
			}
			return a.show(r, g)
		},
	}
}

// mostAudited is how many entries of the audit trail are asked for at a time.
const mostAudited = 200

func (a *app) audit() *cobra.Command {
	var actor string
	var after int64
	var limit int
	c := &cobra.Command{
		Use: "audit", Short: "List what was changed, by whom and why, oldest first: stewards everything, others what they did",
		Long: `List what was changed, by whom and why, oldest first: stewards everything, others what they did themselves. --output json has the
checksums too, and the last entry of the whole trail: kept elsewhere, it shows later whether the trail's end was cut off.`,
		Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
			if after < 0 || limit < 0 {
				return usage("--after and --limit must be 0 or more")
			}
			conn, err := a.dial(c.Context())
			if err != nil {
				return err
			}
			client := accessv1.NewAuditServiceClient(conn)
			all := &accessv1.ListAuditEntriesResponse{}
			for more := true; more; {
				size := mostAudited
				if limit > 0 {
					size = min(size, limit-len(all.GetEntries()))
				}
				page, err := call(c.Context(), a, client.ListAuditEntries, &accessv1.ListAuditEntriesRequest{AfterSequence: after, PageSize: int32(size), Actor: actor})
				if err != nil {
					return err
				}
				all.Entries = append(all.Entries, page.GetEntries()...)
				all.HeadSequence, all.HeadChainSha256 = page.GetHeadSequence(), page.GetHeadChainSha256()
				got := len(page.GetEntries())
				if got > 0 {
					after = page.GetEntries()[got-1].GetSequence()
				}
				more = got == size && after < page.GetHeadSequence()
				if more && limit > 0 && len(all.GetEntries()) >= limit {
					a.say("there may be more: --after %d", after)
					break
				}
			}
			return a.show(all, a.auditGrid(all))
		},
	}
	c.Flags().StringVar(&actor, "actor", "", "only what this member did; server for commands run on the server (default: everybody)")
	c.Flags().Int64Var(&after, "after", 0, "begin after this number")
	c.Flags().IntVar(&limit, "limit", 200, "most entries to show; 0 shows all")
	return c
}

// mostSubjects is how many of the records that one change concerned a table names; an import may have thousands.
const mostSubjects = 3

func (a *app) auditGrid(r *accessv1.ListAuditEntriesResponse) output.Grid {
	g := output.Grid{Columns: []string{"number", "time", "actor", "method", "revision", "subjects", "reason", "token_id"}}
	for _, e := range r.GetEntries() {
		actor := e.GetActor()
		if actor == "" {
			actor = "(erased)"
		}
		subjects := strings.Join(e.GetSubjects(), ", ")
		if more := len(e.GetSubjects()) - mostSubjects; more > 0 && output.Format(a.format) == output.Table {
			subjects = fmt.Sprintf("%s and %d more", strings.Join(e.GetSubjects()[:mostSubjects], ", "), more)
		}
		method := e.GetMethod()[strings.LastIndex(e.GetMethod(), "/")+1:]
		var revision any
		if e.GetRevision() > 0 {
			revision = e.GetRevision()
		}
		g.Add(e.GetSequence(), stamp(e.GetTime()), actor, method, revision, subjects, e.GetReason(), e.GetTokenId())
	}
	return g
}
