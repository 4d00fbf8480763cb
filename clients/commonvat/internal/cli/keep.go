package cli

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// kept is what records that can be edited have in common.
type kept interface {
	proto.Message
	GetEtag() string
	GetDeleteTime() *timestamppb.Timestamp
}

// keeper says how one kind of record is read, changed and shown, and makes the commands that all kinds have.
type keeper[R kept] struct {
	noun string // "trial"
	kind labv1.RecordKind
	get  func(ctx context.Context, id string) (R, error)
	// remove and restore send the request under the id that seed gives.
	remove  func(ctx context.Context, requestID, id, etag, reason string) (R, error)
	restore func(ctx context.Context, requestID, id, etag string) (R, error)
	show    func(ctx context.Context, record R) error
	// grids show a version of the record.
	grids func(ctx context.Context, version *labv1.GetVersionResponse) []output.Grid
}

// etag is how an etag is written on a command line: without the quotes that a shell would take away.
func etag(e string) string { return strings.Trim(e, `"`) }

// quoted is an etag as the interface has it.
func quoted(e string) string {
	if e == "" {
		return ""
	}
	return `"` + etag(e) + `"`
}

// etagLine stands below a single record.
func etagLine(r kept) string {
	if r.GetEtag() == "" {
		return ""
	}
	return "etag " + etag(r.GetEtag())
}

// present gives the etag to send: the one that was given, else the record's own as it is now.
func present[R kept](ctx context.Context, a *app, k keeper[R], id, given string) (string, error) {
	if given == "" {
		record, err := k.get(ctx, id)
		if err != nil {
			return "", err
		}
		given = record.GetEtag()
	}
	a.etag = etag(given)
	return quoted(given), nil
}

func (k keeper[R]) etagFlag(c *cobra.Command, etag *string) {
	c.Flags().StringVar(etag, "etag", "", "change the "+k.noun+" only if it is as it was when it had this etag (default: as it is now)")
}

// deleteCommand makes "delete ID --reason TEXT".
func deleteCommand[R kept](a *app, k keeper[R]) *cobra.Command {
	var reason, given string
	c := &cobra.Command{
		Use: "delete ID --reason TEXT", Short: "Delete a " + k.noun + " of yours; it is kept, and can be undeleted",
		Long: `Delete a ` + k.noun + ` of yours. It goes out of every list and answer and is yours alone from then on; its history is kept, and
undelete brings it back.`,
		Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
			if reason == "" {
				return usage("--reason is required: why, for the history")
			}
			e, err := present(c.Context(), a, k, args[0], given)
			if err != nil {
				return err
			}
			seed, err := a.seed()
			if err != nil {
				return err
			}
			r, err := k.remove(c.Context(), seed, args[0], e, reason)
			if err != nil {
				return err
			}
			if err := k.show(c.Context(), r); err != nil {
				return err
			}
			a.say("deleted; to bring it back: commonvat %s undelete %s", k.noun, output.Clean(args[0]))
			return nil
		},
	}
	c.Flags().StringVar(&reason, "reason", "", "why, for the history (required)")
	k.etagFlag(c, &given)
	return a.writes(c)
}

// undeleteCommand makes "undelete ID".
func undeleteCommand[R kept](a *app, k keeper[R]) *cobra.Command {
	var given string
	c := &cobra.Command{
		Use: "undelete ID", Short: "Bring a deleted " + k.noun + " back",
		Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
			seed, err := a.seed()
			if err != nil {
				return err
			}
			r, err := k.restore(c.Context(), seed, args[0], quoted(given))
			if err != nil {
				return err
			}
			return k.show(c.Context(), r)
		},
	}
	k.etagFlag(c, &given)
	return a.writes(c)
}

func (a *app) histories(ctx context.Context) (labv1.HistoryServiceClient, error) {
	conn, err := a.dial(ctx)
	if err != nil {
		return nil, err
	}
	return labv1.NewHistoryServiceClient(conn), nil
}

func versionGrid(list ...*labv1.Version) output.Grid {
	g := output.Grid{Columns: []string{"revision", "time", "by", "what", "changed", "reason", "etag"}}
	for _, v := range list {
		g.Add(v.GetRevision(), stamp(v.GetTime()), v.GetByMember(), words.Show(v.GetKind()), strings.Join(v.GetChanges(), "; "), v.GetReason(), etag(v.GetEtag()))
	}
	return g
}

// historyCommand makes "history ID".
func historyCommand[R kept](a *app, k keeper[R]) *cobra.Command {
	var limit int
	c := &cobra.Command{
		Use: "history ID", Short: "List what a " + k.noun + " said before: who changed what, when and why, newest first",
		Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
			if limit < 0 {
				return usage("--limit must be 0 or more")
			}
			client, err := a.histories(c.Context())
			if err != nil {
				return err
			}
			all := &labv1.ListVersionsResponse{}
			more, err := pages(limit, func(token string, size int32) (string, int, error) {
				page, err := call(c.Context(), a, client.ListVersions, &labv1.ListVersionsRequest{RecordKind: k.kind, RecordId: args[0], PageSize: size, PageToken: token})
				all.Versions = append(all.Versions, page.GetVersions()...)
				return page.GetNextPageToken(), len(page.GetVersions()), err
			})
			if err != nil {
				return err
			}
			if more {
				a.say("there are more; see --limit")
			}
			return a.show(all, versionGrid(all.GetVersions()...))
		},
	}
	c.Flags().IntVar(&limit, "limit", 50, "most versions to show; 0 shows all")
	return c
}

// versionCommand makes "version ID REVISION".
func versionCommand[R kept](a *app, k keeper[R]) *cobra.Command {
	return &cobra.Command{
		Use: "version ID REVISION", Short: "Show a " + k.noun + " as it was at a revision (see: " + k.noun + " history)",
		Args: takes("ID", "REVISION"), RunE: func(c *cobra.Command, args []string) error {
			revision, err := strconv.ParseInt(args[1], 10, 64)
			if err != nil || revision < 1 {
				return usage("REVISION %q must be a whole number from 1", args[1])
			}
			client, err := a.histories(c.Context())
			if err != nil {
				return err
			}
			v, err := call(c.Context(), a, client.GetVersion, &labv1.GetVersionRequest{RecordKind: k.kind, RecordId: args[0], Revision: revision})
			if err != nil {
				return err
			}
			grids := k.grids(c.Context(), v)
			if output.Format(a.format) == output.Table {
				grids = slices.Insert(grids, 0, versionGrid(v.GetVersion()))
			}
			return a.show(v, grids...)
		},
	}
}

// keepCommands are the commands that all kinds of records have.
func keepCommands[R kept](a *app, k keeper[R]) []*cobra.Command {
	return []*cobra.Command{deleteCommand(a, k), undeleteCommand(a, k), historyCommand(a, k), versionCommand(a, k)}
}

// edit is what the edit commands have in common: the fields that were given, the reason and the etag.
type edit struct {
	given, reason string
	mask          fieldmaskpb.FieldMask
}

func (e *edit) flags(c *cobra.Command, noun string, reasonRequired bool) {
	why := "why, for the history"
	if reasonRequired {
		why += " (required)"
	}
	c.Flags().StringVar(&e.reason, "reason", "", why)
	c.Flags().StringVar(&e.given, "etag", "", "change the "+noun+" only if it is as it was when it had this etag (default: as it is now)")
}

// take notes which fields were given on the command line; each of fields is a flag and its field in the interface.
func (e *edit) take(c *cobra.Command, fields [][2]string) error {
	e.mask.Paths = nil
	var flags []string
	for _, f := range fields {
		flags = append(flags, "--"+f[0])
		if c.Flags().Changed(f[0]) {
			e.mask.Paths = append(e.mask.Paths, f[1])
		}
	}
	if len(e.mask.Paths) == 0 {
		return usage("nothing is changed: give at least one of %s", strings.Join(flags, ", "))
	}
	return nil
}

// send reads the etag, if none was given, and sends the change.
func send[R kept](ctx context.Context, a *app, k keeper[R], id string, e *edit, update func(requestID, etag string) (R, error)) error {
	etag, err := present(ctx, a, k, id, e.given)
	if err != nil {
		return err
	}
	seed, err := a.seed()
	if err != nil {
		return err
	}
	r, err := update(seed, etag)
	if err != nil {
		return err
	}
	return k.show(ctx, r)
}

// staleLines say what to do about a record that changed since it was read.
func staleLines(told map[string]string) []string {
	var lines []string
	if told["changed_by"] != "" {
		lines = append(lines, fmt.Sprintf("  the last change was made by %s at %s", output.Clean(told["changed_by"]), output.Clean(told["changed_time"])))
	}
	return append(lines, "nothing was written. Read the "+output.Clean(told["record_kind"])+" again; if your change still holds, make it again, with --etag "+
		output.Clean(etag(told["current_etag"]))+" or without --etag")
}
