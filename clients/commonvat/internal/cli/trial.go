package cli

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
	"github.com/commonvat/commonvat/clients/commonvat/internal/settings"
	"github.com/commonvat/commonvat/clients/commonvat/internal/trialfile"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
)

func (a *app) trials(ctx context.Context) (labv1.TrialServiceClient, error) {
	conn, err := a.dial(ctx)
	if err != nil {
		return nil, err
	}
	return labv1.NewTrialServiceClient(conn), nil
}

func (a *app) trial() *cobra.Command {
	c := groupOf("trial", "Submit, read, edit, share, end and delete trials",
		a.trialSubmit(), a.trialList(), a.trialSearch(), a.trialShow(), a.trialEdit(), a.trialShare(), a.trialWithdraw(),
		a.trialState("finish", "Say that a trial is finished", labv1.TrialState_TRIAL_STATE_FINISHED),
		a.trialState("begin", "Say that a planned trial has begun", labv1.TrialState_TRIAL_STATE_BEGUN),
		a.trialState("abandon", "Give a trial up, with the reason", labv1.TrialState_TRIAL_STATE_ABANDONED),
		a.trialRescale())
	c.AddCommand(keepCommands(a, a.trialKeeper())...)
	return c
}

func (a *app) trialSubmit() *cobra.Command {
	var check bool
	c := &cobra.Command{
		Use: "submit FILE", Short: "Submit a trial from a YAML or JSON file (- is standard input)",
		Long: `Submit a trial from a YAML or JSON file (- is standard input).

Sending the same file again is safe. All ids come from one: the file's own "id", else --request-id, else one that is kept
beside the file in FILE.sent before anything is sent. Send FILE.sent's neighbour as often as you like; remove
FILE.sent only to submit the same text as another trial.`,
		Args: takes("FILE"),
		RunE: func(c *cobra.Command, args []string) error {
			data, err := a.readInput(args[0])
			if err != nil {
				return err
			}
			seed, err := a.fileSeed(args[0], data, check)
			if err != nil {
				return err
			}
			f, err := trialfile.Parse(data, seed)
			if err != nil {
				return err
			}
			if check {
				f.Request.ValidateOnly = true
				trialfile.Finish(f.Request, f.Request.GetTrial().GetId())
			}
			client, err := a.trials(c.Context())
			if err != nil {
				return err
			}
			got, err := call(c.Context(), a, client.SubmitTrial, f.Request)
			if err != nil {
				return &placed{err: err, where: f.Where}
			}
			if check {
				a.say("checked: nothing is wrong, and nothing was written")
			}
			return a.showTrial(got, got.GetTrial(), got.GetBaths(), false)
		},
	}
	c.Flags().BoolVar(&check, "check", false, "check everything and write nothing")
	return a.writes(c)
}

// fileSeed finds the id that all of a file's ids come from.
func (a *app) fileSeed(name string, data []byte, check bool) (string, error) {
	id, err := trialfile.FileID(data)
	if err != nil {
		return "", err
	}
	if id != "" {
		if a.requestID != "" && a.requestID != id {
			return "", usage("the file has an id of its own; --request-id would be another")
		}
		return id, nil
	}
	if a.requestID != "" || check {
		return a.seed()
	}
	if name == "-" {
		id, err := a.seed()
		if err == nil {
			a.say("sent as --request-id %s", id)
		}
		return id, err
	}
	side := name + ".sent"
	kept, err := os.ReadFile(side)
	if err == nil {
		id := strings.TrimSpace(string(kept))
		if err := ids.Check(id); err != nil {
			return "", input("%s: %v", side, err)
		}
		a.say("the id in %s is used again, so this is the same trial as before", side)
		return id, nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	if id, err = ids.New(); err != nil {
		return "", err
	}
	if err := settings.WritePrivate(side, []byte(id+"\n")); err != nil {
		return "", fmt.Errorf("%w; give the file an id of its own, or use --request-id %s", err, id)
	}
	return id, nil
}

func (a *app) trialList() *cobra.Command {
	limit := 50
	var deleted bool
	c := &cobra.Command{Use: "list", Short: "List trials that you may read, newest first", Args: takes(), RunE: func(c *cobra.Command, _ []string) error {
		return a.listTrials(c.Context(), "", deleted, limit)
	}}
	c.Flags().BoolVar(&deleted, "deleted", false, "list your deleted trials, and no others")
	c.Flags().IntVar(&limit, "limit", 50, "most trials to show; 0 shows all")
	return c
}

func (a *app) trialSearch() *cobra.Command {
	limit := 50
	c := &cobra.Command{
		Use: "search FILTER", Short: "List trials that fit a filter, for example: fibre = \"wool\" AND material = \"weld\"",
		Long: `List trials that fit a filter (https://google.aip.dev/160) over owner, title, state, sharing, fibre, material, water,
source and experiment. For example: commonvat trial search 'fibre = "wool" AND material = "weld"'`,
		Args: takes("FILTER"),
		RunE: func(c *cobra.Command, args []string) error { return a.listTrials(c.Context(), args[0], false, limit) },
	}
	c.Flags().IntVar(&limit, "limit", 50, "most trials to show; 0 shows all")
	return c
}

func (a *app) listTrials(ctx context.Context, filter string, deleted bool, limit int) error {
	if limit < 0 {
		return usage("--limit must be 0 or more")
	}
	client, err := a.trials(ctx)
	if err != nil {
		return err
	}
	all := &labv1.ListTrialsResponse{}
	more, err := pages(limit, func(token string, size int32) (string, int, error) {
		page, err := call(ctx, a, client.ListTrials, &labv1.ListTrialsRequest{PageSize: size, PageToken: token, Filter: filter, Deleted: deleted})
		all.Trials = append(all.Trials, page.GetTrials()...)
		return page.GetNextPageToken(), len(page.GetTrials()), err
	})
	if err != nil {
		return err
	}
	g := output.Grid{Columns: []string{"id", "owner", "title", "state", "shared", "sessions", "pieces", "readings", "changed", "source", "deleted"}}
	invented := false
	for _, t := range all.GetTrials() {
		g.Add(t.GetId(), t.GetOwner(), t.GetTitle(), words.Show(t.GetState()), words.Show(t.GetSharing().GetLevel()), t.GetSessionCount(),
			t.GetPieceCount(), t.GetReadingCount(), stamp(t.GetUpdateTime()), t.GetImportSource(), stamp(t.GetDeleteTime()))
		invented = invented || isInvented(t.GetTitle())
	}
	if err := a.show(all, g); err != nil {
		return err
	}
	if more {
		a.say("there are more; see --limit")
	}
	a.noteInvented(invented)
	return nil
}

// pages reads page after page until limit rows (0: all) have come, and tells whether there are more.
func pages(limit int, page func(token string, size int32) (next string, got int, err error)) (more bool, err error) {
	token, have := "", 0
	seen := map[string]bool{}
	for {
		size := 200
		if limit > 0 {
			size = min(size, limit-have)
		}
		next, got, err := page(token, int32(size))
		if err != nil {
			return false, err
		}
		have += got
		switch {
		case next == "":
			return false, nil
		case limit > 0 && have >= limit:
			return true, nil
		case seen[next]:
			return false, fmt.Errorf("the core gave the same page token twice")
		}
		seen[next] = true
		token = next
	}
}

func isInvented(text string) bool { return strings.Contains(strings.ToLower(text), "invented") }

func (a *app) noteInvented(invented bool) {
	if invented {
		a.say("note: some of these records are marked as invented; they are for demonstration and prove nothing")
	}
}

func stamp(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().UTC().Format(time.RFC3339)
}

func (a *app) trialShow() *cobra.Command {
	var all bool
	c := &cobra.Command{Use: "show ID", Short: "Show one trial with its entries", Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
		client, err := a.trials(c.Context())
		if err != nil {
			return err
		}
		t, err := call(c.Context(), a, client.GetTrial, &labv1.GetTrialRequest{TrialId: args[0]})
		if err != nil {
			return err
		}
		return a.showTrial(t, t, a.bathsOf(c.Context(), t), all)
	}}
	c.Flags().BoolVar(&all, "all", false, fmt.Sprintf("show long tables whole, not only their first %d rows", mostRowsShown))
	return c
}

// mostRowsShown is the length of a trial's tables on screen, unless all is asked for.
const mostRowsShown = 60

// shorten cuts a long table and says so below it.
func shorten(g output.Grid, all bool) output.Grid {
	if more := len(g.Rows) - mostRowsShown; !all && more > 0 {
		g.Rows = g.Rows[:mostRowsShown]
		g.Below = fmt.Sprintf("and %d more (trial show --all has them)", more)
	}
	return g
}

// mostBathsShown keeps a long trial, such as an imported one, from asking for thousands of baths.
const mostBathsShown = 50

// bathsOf reads the baths of a trial, so that they can be named; those that aren't the reader's to see go by their ids.
func (a *app) bathsOf(ctx context.Context, t *labv1.Trial) []*labv1.Bath {
	client, err := a.bathClient(ctx)
	if err != nil {
		return nil
	}
	var baths []*labv1.Bath
	asked := map[string]bool{}
	for _, m := range t.GetImmersions() {
		if asked[m.GetBathId()] {
			continue
		}
		if len(asked) == mostBathsShown {
			break
		}
		asked[m.GetBathId()] = true
		if b, err := call(ctx, a, client.GetBath, &labv1.GetBathRequest{BathId: m.GetBathId()}); err == nil {
			baths = append(baths, b)
		}
	}
	return baths
}

func (a *app) trialShare() *cobra.Command {
	var level, licence string
	c := &cobra.Command{Use: "share ID --level LEVEL", Short: "Say who may read a trial", Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
		sharing, err := sharingOf("--level", level, licence)
		if err != nil {
			return err
		}
		return a.share(c.Context(), args[0], sharing)
	}}
	c.Flags().StringVar(&level, "level", "cooperative", "mine, cooperative or public")
	c.Flags().StringVar(&licence, "licence", "", "required with public: an SPDX identifier such as CC-BY-4.0")
	return a.adds(c, "trial")
}

// sharingOf reads who may read something from the flag that says so, and its licence.
func sharingOf(flag, level, licence string) (*typesv1.Sharing, error) {
	l, err := words.Parse[typesv1.SharingLevel](level)
	if err != nil {
		return nil, usage("%s: %v", flag, err)
	}
	if l == typesv1.SharingLevel_SHARING_LEVEL_PUBLIC && licence == "" {
		return nil, usage("--licence is required with %s public: an SPDX identifier such as CC-BY-4.0", flag)
	}
	return &typesv1.Sharing{Level: l, Licence: licence}, nil
}

func (a *app) trialWithdraw() *cobra.Command {
	return a.adds(&cobra.Command{Use: "withdraw ID", Short: "Take a trial out of every later answer", Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
		return a.share(c.Context(), args[0], &typesv1.Sharing{Level: typesv1.SharingLevel_SHARING_LEVEL_MINE})
	}}, "trial")
}

func (a *app) share(ctx context.Context, id string, s *typesv1.Sharing) error {
	client, err := a.trials(ctx)
	if err != nil {
		return err
	}
	seed, err := a.seed()
	if err != nil {
		return err
	}
	t, err := call(ctx, a, client.ShareTrial, &labv1.ShareTrialRequest{RequestId: seed, TrialId: id, Etag: quoted(a.etag), Sharing: s})
	if err != nil {
		return err
	}
	return a.show(t, trialLine(t))
}

func (a *app) trialState(use, short string, state labv1.TrialState) *cobra.Command {
	var why string
	c := &cobra.Command{Use: use + " ID", Short: short, Args: takes("ID"), RunE: func(c *cobra.Command, args []string) error {
		if state == labv1.TrialState_TRIAL_STATE_ABANDONED && why == "" {
			return usage("--reason is required")
		}
		client, err := a.trials(c.Context())
		if err != nil {
			return err
		}
		seed, err := a.seed()
		if err != nil {
			return err
		}
		t, err := call(c.Context(), a, client.SetTrialState, &labv1.SetTrialStateRequest{RequestId: seed, TrialId: args[0], Etag: quoted(a.etag), State: state, AbandonedReason: why})
		if err != nil {
			return err
		}
		return a.show(t, trialLine(t))
	}}
	if state == labv1.TrialState_TRIAL_STATE_ABANDONED {
		c.Flags().StringVar(&why, "reason", "", "why it was given up (required)")
	}
	return a.adds(c, "trial")
}

func trialLine(t *labv1.Trial) output.Grid {
	g := output.Grid{Below: etagLine(t), Columns: []string{"id", "owner", "title", "state", "shared", "licence", "sessions", "pieces", "readings", "changed", "deleted"}}
	g.Add(t.GetId(), t.GetOwner(), t.GetTitle(), words.Show(t.GetState()), words.Show(t.GetSharing().GetLevel()), t.GetSharing().GetLicence(),
		len(t.GetSessions()), len(t.GetPieces()), len(t.GetReadings()), stamp(t.GetUpdateTime()), stamp(t.GetDeleteTime()))
	return g
}

func pieceGrid(title string, pieces []*labv1.Piece) output.Grid {
	g := output.Grid{Title: title, Columns: []string{"code", "label", "fibre", "lot", "mass", "route", "order", "holder", "ended", "id"}}
	for _, p := range pieces {
		order := p.GetRoute().GetOrder()
		if p.GetRoute().GetNotStated() {
			order = strings.TrimSpace(order + " (not all stated)")
		}
		g.Add(p.GetCode(), p.GetLabel(), fibre(p.GetFibre()), p.GetFibre().GetLot(), quantity.ShowAmount(p.GetMass()), p.GetRoute().GetText(), order,
			p.GetHolder(), p.GetEnded(), p.GetId())
	}
	return g
}

func fibre(f *typesv1.Fibre) string {
	var parts []string
	for _, p := range f.GetComposition() {
		if p.GetPercent() == 100 {
			parts = append(parts, p.GetFibre())
		} else {
			parts = append(parts, output.Figure(p.GetPercent(), 5)+" % "+p.GetFibre())
		}
	}
	return strings.Join(parts, ", ")
}

// names gives what entries of a trial are called on screen; what has no name goes by its id.
type names map[string]string

func namesIn(t *labv1.Trial, baths []*labv1.Bath) names {
	n := names{}
	for _, p := range t.GetPieces() {
		n[p.GetId()] = strings.TrimSpace(p.GetCode() + " " + p.GetLabel())
	}
	same := map[string]int{}
	for _, b := range baths {
		same[b.GetLabel()]++
	}
	for _, b := range baths {
		if n[b.GetId()] = b.GetLabel(); same[b.GetLabel()] > 1 {
			n[b.GetId()] += " " + tail(b.GetId())
		}
	}
	return n
}

func (n names) of(id string) string {
	if l := n[id]; l != "" {
		return l
	}
	return id
}

// tail is the end of an id, enough to find it among those on screen.
func tail(id string) string {
	const shown = 6
	if len(id) <= shown {
		return id
	}
	return "…" + id[len(id)-shown:]
}

// showTrial shows a trial; of the CSV that is its pieces.
func (a *app) showTrial(message proto.Message, t *labv1.Trial, baths []*labv1.Bath, all bool) error {
	if output.Format(a.format) == output.CSV {
		return a.show(message, pieceGrid("", t.GetPieces()))
	}
	err := a.show(message, trialGrids(t, baths, all)...)
	a.noteInvented(isInvented(t.GetTitle()))
	return err
}

// trialGrids are a trial with its entries, to be read.
func trialGrids(t *labv1.Trial, baths []*labv1.Bath, all bool) []output.Grid {
	n := namesIn(t, baths)
	grids := []output.Grid{trialLine(t)}
	for _, g := range []output.Grid{sessionGrid(t), pieceGrid("pieces", t.GetPieces()), bathGrid("baths", baths), immersionGrid(t, n, baths), lookGrid(t, n), readingGrid(t, n), judgementsGrid(t, n)} {
		grids = append(grids, shorten(g, all))
	}
	warnings := output.Grid{Title: "looked odd, and was taken down all the same", Columns: []string{"entry", "what"}}
	for _, w := range t.GetWarnings() {
		warnings.Add(n.of(w.GetEntryId()), w.GetText())
	}
	return append(grids, warnings)
}

func sessionGrid(t *labv1.Trial) output.Grid {
	g := output.Grid{Title: "sessions", Columns: []string{"id", "begun", "experiment", "note"}}
	for _, s := range t.GetSessions() {
		g.Add(s.GetId(), quantity.ShowTime(s.GetBegun()), s.GetExperimentId(), s.GetNote())
	}
	return g
}

func immersionGrid(t *labv1.Trial, n names, baths []*labv1.Bath) output.Grid {
	known := map[string]*labv1.Bath{}
	for _, b := range baths {
		known[b.GetId()] = b
	}
	g := output.Grid{Title: "immersions", Columns: []string{"piece", "place", "bath", "exhaust", "dips", "depth", "entered", "left", "note", "correction", "id"}}
	for _, m := range t.GetImmersions() {
		g.Add(n.of(m.GetPieceId()), m.GetPosition(), n.of(m.GetBathId()), exhaustIn(known[m.GetBathId()], m.GetExhaust()), orNothing(m.GetDips()), words.Show(m.GetIntendedDepth()),
			quantity.ShowTime(m.GetEntered()), quantity.ShowTime(m.GetLeft()), m.GetNote(), correction(m), m.GetId())
	}
	return g
}

func lookGrid(t *labv1.Trial, n names) output.Grid {
	g := output.Grid{Title: "looks", Columns: []string{"of", "at", "seen", "correction", "id"}}
	for _, l := range t.GetLooks() {
		g.Add(n.of(l.GetPieceId()+l.GetBathId()), quantity.ShowTime(l.GetAt()), l.GetText(), correction(l), l.GetId())
	}
	return g
}

func readingGrid(t *labv1.Trial, n names) output.Grid {
	g := output.Grid{Title: "readings", Columns: []string{"piece", "after", "colour", "state", "age_days", "instrument", "gloss", "at", "correction", "id"}}
	for _, r := range t.GetReadings() {
		var age, after any
		if r.AgeDays != nil {
			age = r.GetAgeDays()
		}
		if r.AfterPosition != nil {
			after = r.GetAfterPosition()
		}
		g.Add(n.of(r.GetPieceId()), after, colour(r.GetRaw()), words.Show(r.GetState()), age, r.GetInstrument(),
			words.Show(r.GetSpecular()), quantity.ShowTime(r.GetAt()), correction(r), r.GetId())
	}
	return g
}

func judgementsGrid(t *labv1.Trial, n names) output.Grid {
	g := output.Grid{Title: "judgements by eye", Columns: []string{"first", "second", "judged", "chosen", "grey_scale_step", "light", "blind", "at", "correction", "id"}}
	for _, j := range t.GetJudgements() {
		var chosen any
		switch j.GetChoice() {
		case labv1.JudgedChoice_JUDGED_CHOICE_FIRST:
			chosen = n.of(j.GetFirstPieceId())
		case labv1.JudgedChoice_JUDGED_CHOICE_SECOND:
			chosen = n.of(j.GetSecondPieceId())
		case labv1.JudgedChoice_JUDGED_CHOICE_NEITHER:
			chosen = words.Show(j.GetChoice())
		}
		g.Add(n.of(j.GetFirstPieceId()), n.of(j.GetSecondPieceId()), words.Show(j.GetQuality()), chosen, maybe(j.GreyScaleStep), j.GetLight(), j.GetBlind(),
			quantity.ShowTime(j.GetAt()), correction(j), j.GetId())
	}
	return g
}

// exhaustIn says which use of a bath it was. It says nothing of a bath that can't be read, since nobody knows then that it was fresh.
func exhaustIn(b *labv1.Bath, n int32) string {
	if b == nil && n == 0 {
		return ""
	}
	return exhaust(n, b.GetExhaustNumberNotStated(), b.GetExhaustNotStated())
}

// orNothing leaves the cell of a 0 empty.
func orNothing(n int32) any {
	if n == 0 {
		return nil
	}
	return n
}

// correction says that an entry no longer counts, or which one it replaces.
func correction(entry interface {
	GetSuperseded() bool
	GetCorrects() *typesv1.Correction
}) string {
	var said []string
	if entry.GetSuperseded() {
		said = append(said, "superseded")
	}
	if c := entry.GetCorrects(); c != nil {
		said = append(said, "in place of "+tail(c.GetEntryId())+": "+c.GetReason())
	}
	return strings.Join(said, "; ")
}

func colour(r *typesv1.RawColour) string {
	if s := r.GetSpectrum(); s != nil {
		return fmt.Sprintf("spectrum of %d figures from %g nm", len(s.GetReflectance()), s.GetStartNm())
	}
	return showLab(r.GetLab()) + " " + words.ShowCondition(r.GetLabCondition())
}

func showLab(l *typesv1.Lab) string {
	return fmt.Sprintf("L* %s a* %s b* %s", output.Figure(l.GetL(), 5), output.Figure(l.GetA(), 5), output.Figure(l.GetB(), 5))
}
