// Package store says what the core asks of a storage engine: a writer that
// groups changes into durable transactions, readers, and the change feed. The
// engines are its subfolders; storetest is the suite that each must pass.
//
// Nothing here knows of gRPC. Faults are the sentinels of package trial, and ErrUnavailable.
package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// ErrUnavailable says that the engine can't take the change now (closing, disk full, read-only).
var ErrUnavailable = errors.New("store unavailable")

// PanicError is a panic in ChangeRequest.Apply: only that change was undone.
type PanicError struct {
	Value any
	Stack []byte // of the goroutine that panicked
}

// Error implements error.
func (e *PanicError) Error() string { return fmt.Sprintf("change panicked: %v", e.Value) }

// Engine is everything that a storage engine does.
type Engine interface {
	Changer
	TrialReader
	BathReader
	RecordReader
	Feed
	History
	AuditTrail
	MemberStore
	ModuleChoices
	Packs
	RunStore
	BenchStore
	// Close lets the changes that wait become durable, refuses later ones with ErrUnavailable, and lets go of the files.
	Close() error
}

// ChangeRequest is one change to be made durable.
type ChangeRequest struct {
	// Actor who asks; recorded in the change feed and the audit trail.
	Actor Actor
	// Reason that was said, for the history and the audit trail; may be empty.
	Reason string
	// RequestID is a UUID, or "" for changes that are safe to repeat by their own keys. It is the actor's: two
	// members may use the same.
	RequestID string
	// BodyHash is the SHA-256 of the request's deterministic encoding.
	BodyHash [32]byte
	// Now is the core's time of the request; kept to the microsecond.
	Now time.Time
	// Apply makes the change and returns the encoded response. It runs inside
	// the transaction, on the writer's goroutine, under the writer's own context, possibly more than once
	// (when a group is lost): it must not touch anything but records, and not keep them. An error or a panic
	// undoes only this change. A Create or Put of records that fails undoes the change even if Apply returns nil, so
	// that nothing is half-written. A request id is kept only with a change that succeeded.
	Apply func(records trial.Records) (response []byte, err error)
}

// Actor is on whose behalf, with which token and by which method something is changed.
type Actor struct {
	Member  trial.MemberID // or Server
	TokenID string         // public part; may be empty
	Method  string         // full name of the method, or of the command run on the server
}

// Server is Actor.Member of what is done by a command on the server itself. It can't be a member's id: those have no capitals.
const Server trial.MemberID = "SERVER"

// ChangeResult is what became of a change.
type ChangeResult struct {
	Response []byte
	// Revision that the change was given; the present one when it put no record. Every change that puts
	// a record has a revision of its own. With Replayed, that of the first time.
	Revision int64
	// Replayed is true when the request id was known and the first answer is given again.
	Replayed bool
}

// Changer makes changes durable: when Change returns nil the change is on disk.
type Changer interface {
	// Change waits until the change is durable or refused. A ctx that ends before the change
	// is begun drops it; later it has no effect on the change itself, only on the waiting.
	// Errors: those of Apply; *PanicError; trial.ErrRequestReused; ErrUnavailable; ctx.Err().
	Change(ctx context.Context, request ChangeRequest) (ChangeResult, error)
}

// TrialRow is a trial as stored: what access checks need, and the encoded body.
type TrialRow struct {
	ID       trial.ID
	Owner    trial.MemberID
	Sharing  trial.SharingLevel
	Holders  []trial.MemberID // members other than the owner who hold a piece of it
	Deleted  bool
	Revision int64
	Body     []byte // a commonvat.lab.v1.Trial, deterministic encoding; callers must not change it
}

// BathRow is a bath as stored; Body is a commonvat.lab.v1.Bath.
type BathRow struct {
	ID            trial.ID
	Owner         trial.MemberID
	Sharing       trial.SharingLevel
	OpenToMembers bool
	Deleted       bool
	Revision      int64
	Body          []byte
}

// TrialReader reads trials.
type TrialReader interface {
	// TrialRow reads one trial. Errors: trial.ErrNotFound.
	TrialRow(ctx context.Context, id trial.ID) (TrialRow, error)
	// TrialOfPiece finds a piece by id or short code; codes as people write them, see piececode.Normalise.
	// Errors: trial.ErrNotFound.
	TrialOfPiece(ctx context.Context, idOrCode string) (trial.PieceRef, error)
	// ListTrials reads a page, newest first (by id, descending), of the trials that the reader may read: own ones,
	// those shared with the cooperative or the public, and those of which the reader holds a piece; none that are deleted.
	// Errors: trial.ErrInvalid (a *trial.FieldFault) for a bad predicate.
	ListTrials(ctx context.Context, query TrialQuery) ([]TrialRow, error)
	// SharedTrials reads a page of the trials at level cooperative or public, deleted ones left out, by id ascending, after a given id.
	SharedTrials(ctx context.Context, after trial.ID, limit int) ([]TrialRow, error)
}

// Predicate is one condition of a search; conditions of a query hold together.
// A node is either a comparison (Field, Value) or a combination (Op and Parts).
type Predicate struct {
	Op    string // "and", "or", "not", or "" for a comparison
	Parts []Predicate
	// Field is one of TrialSearchFields.
	Field string
	// Value is compared without regard to case. A title matches when it contains Value; the others when
	// equal. State is one of planned, begun, finished, abandoned; sharing one of mine, cooperative, public; water
	// is a source's id or name; fibre, material and water match when any piece has it, experiment when any session has.
	Value string
}

// Bounds of a search; what exceeds them is refused with a *trial.FieldFault.
const (
	MaxPredicateDepth = 16
	MaxPredicateNodes = 100
	// MaxPage bounds every limit; limits run from 1.
	MaxPage = 1000
)

// TrialSearchFields are the fields by which trials can be found.
var TrialSearchFields = []string{"owner", "title", "state", "sharing", "fibre", "material", "water", "source", "experiment"}

// contentFields are those that look into a trial's entries.
var contentFields = []string{"fibre", "material", "water", "experiment"}

// AsksForContent reports whether a search of trials looks into their entries. Such a search is only among trials that the reader may read whole: of
// one of which they hold a piece, the answer would tell what is in the rest.
func (p *Predicate) AsksForContent() bool {
	return p != nil && (slices.Contains(contentFields, p.Field) || slices.ContainsFunc(p.Parts, func(part Predicate) bool { return part.AsksForContent() }))
}

// TrialQuery is a page of trials that a member may read, wholly or in part; with a search that asks for content, of those that they may read whole.
type TrialQuery struct {
	Reader trial.MemberID
	// Deleted asks for the reader's own deleted trials, and no others.
	Deleted bool
	// Where may be nil.
	Where *Predicate
	// BeforeID: ids below this one; "" from the top.
	BeforeID trial.ID
	Limit    int
}

// BathSearchFields are the fields by which baths can be found.
var BathSearchFields = []string{"owner", "label", "purpose", "material", "water", "sharing", "open"}

// BathQuery is a page of baths that a member may read.
type BathQuery struct {
	Reader trial.MemberID
	// Deleted asks for the reader's own deleted baths, and no others.
	Deleted bool
	// Where may be nil. Of BathSearchFields: a label matches when it contains the value, the others when equal, without regard to case; purpose
	// is one of scour, mordant, tannin, dye, vat, modifier, rinse; material counts when it isn't superseded; water is a source's id or
	// name; sharing as for trials; open is yes or no.
	Where *Predicate
	// BeforeID: ids below this one; "" from the top.
	BeforeID trial.ID
	Limit    int
}

// BathReader reads baths.
type BathReader interface {
	// BathRow reads one bath. Errors: trial.ErrNotFound.
	BathRow(ctx context.Context, id trial.ID) (BathRow, error)
	// HasPieceIn reports whether a piece that the member owns or holds was in the bath.
	HasPieceIn(ctx context.Context, bath trial.ID, member trial.MemberID) (bool, error)
	// MembersWithPieceIn gives all of whom HasPieceIn says so, in order.
	MembersWithPieceIn(ctx context.Context, bath trial.ID) ([]trial.MemberID, error)
	// ListBaths reads a page, newest first, of the baths that the reader may read: own, shared, open to
	// members, or with a piece in it that the reader owns or holds; none that are deleted.
	// Errors: trial.ErrInvalid (a *trial.FieldFault) for a bad predicate.
	ListBaths(ctx context.Context, query BathQuery) ([]BathRow, error)
}

// RecordReader reads the small records; lists come newest first (by id, descending), single ones may
// give trial.ErrNotFound.
type RecordReader interface {
	WaterSources(ctx context.Context, query RecordQuery) ([]trial.WaterSource, error)
	WaterSource(ctx context.Context, id trial.ID) (*trial.WaterSource, error)
	Experiments(ctx context.Context, query RecordQuery) ([]trial.Experiment, error)
	Experiment(ctx context.Context, id trial.ID) (*trial.Experiment, error)
}

// RecordQuery is a page of small records.
type RecordQuery struct {
	// DeletedOf, when not empty, asks for that member's deleted records, and no others; else deleted ones are left out.
	DeletedOf trial.MemberID
	BeforeID  trial.ID
	Limit     int
}

// VersionRow is a record as it was from one revision on.
type VersionRow struct {
	Revision int64
	At       time.Time
	By       trial.MemberID
	Kind     trial.ChangeKind
	Reason   string
	Body     []byte // as the record's own row; callers must not change it
}

// History reads what records said before. Each put of a record is a version, and none is ever lost.
type History interface {
	// Versions reads a page of a record's versions, newest first, with revisions below before (0: from the newest).
	// Errors: trial.ErrNotFound for a record that isn't there.
	Versions(ctx context.Context, kind trial.RecordKind, id trial.ID, before int64, limit int) ([]VersionRow, error)
	// Version reads one. Errors: trial.ErrNotFound.
	Version(ctx context.Context, kind trial.RecordKind, id trial.ID, revision int64) (VersionRow, error)
}

// AuditRow is one entry of the audit trail.
type AuditRow struct {
	Sequence    int64 // from 1, without gaps
	At          time.Time
	Actor       Actor    // Member is "" where it was erased
	Revision    int64    // 0 where no record changed
	Subjects    []string // "trial <id>", "member <id>", "token <id>"
	RequestHash [32]byte // zero where there was no request
	Reason      string
	Chain       [32]byte // SHA-256 over the chain before it and this entry
}

// AuditQuery is a page of the audit trail.
type AuditQuery struct {
	After int64 // sequence
	Actor trial.MemberID
	Limit int
}

// AuditTrail reads the audit trail. Every change that was made has an entry, written in the same transaction; a change that
// was refused, or a request sent again, has none.
type AuditTrail interface {
	// AuditEntries reads a page, oldest first.
	AuditEntries(ctx context.Context, query AuditQuery) ([]AuditRow, error)
	// AuditHead reads the last entry; the zero row for an empty trail.
	AuditHead(ctx context.Context) (AuditRow, error)
}

// ModuleChoice is which build of a module answers for its name.
type ModuleChoice struct {
	Name, Kind string
	// Digest of the build that serves, and that of the one before it; "" when there was none.
	Digest, Previous string
	// Retired: none serves.
	Retired bool
	// Default: it answers for its kind. At most one of a kind; never with Retired.
	Default bool
	At      time.Time
	By      trial.MemberID
}

// ModuleChoices keeps what was chosen of modules; names that nobody chose for have none.
type ModuleChoices interface {
	// ModuleChoices reads all, by name.
	ModuleChoices(ctx context.Context) ([]ModuleChoice, error)
	// ChooseModule keeps a choice in place of the name's former one, with its entry in the audit trail. A default takes that place from whichever module of
	// the kind had it. At and By are taken from the choice and the actor. act says what was done, for the audit trail.
	ChooseModule(ctx context.Context, by Actor, choice ModuleChoice, act, reason string) error
}

// PackRow is one piece of data for one module, without its content.
type PackRow struct {
	Module, Kind string
	Digest       string // SHA-256 of the content, in lower-case hexadecimal
	Name         string // as it calls itself
	Version      string
	Bytes        int
	// Own: the module came with it.
	Own bool
	// InForce: questions are answered with it. At most one of a module and name.
	InForce bool
	// At, By: when and by whom it last came into or out of force.
	At time.Time
	By trial.MemberID
}

// Packs keeps which data there is for modules, and what of it is in force.
type Packs interface {
	// Packs reads all, by module, name and time.
	Packs(ctx context.Context) ([]PackRow, error)
	// PutPack keeps a row in place of that of its module and digest, with its entry in the audit trail. One in force takes that place from whichever of its
	// name had it. At and By are taken from the row and the actor. act says what was done, for the audit trail.
	PutPack(ctx context.Context, by Actor, row PackRow, act, reason string) error
}

// RunRow is a run of scoring as stored.
type RunRow struct {
	ID    trial.ID
	Owner trial.MemberID
	State int
	Body  []byte // a commonvat.catalog.v1.Run, deterministic encoding; callers must not change it
}

// RunPart is some of what one module of a run said, by the module's place in the run. Part 0 is how far permuting is.
type RunPart struct {
	Module, Part int
	Body         []byte
}

// RunTrial is a trial that has rows among a run's columns.
type RunTrial struct{ Run, Trial trial.ID }

// RunRest is what is left of a run when trials were taken out of it.
type RunRest struct {
	Columns [][]byte
	Scores  []RunPart
	Trials  []trial.ID
}

// RunStore keeps runs of scoring, their frozen columns and what came of them. Changes of runs are in the audit trail where act says what was done;
// progress isn't. None is in the feed.
type RunStore interface {
	// Run errors: trial.ErrNotFound.
	Run(ctx context.Context, id trial.ID) (RunRow, error)
	// Runs reads a page, newest first (by id, descending).
	Runs(ctx context.Context, before trial.ID, limit int) ([]RunRow, error)
	// RunColumns reads all parts, in order; none when there are none.
	RunColumns(ctx context.Context, run trial.ID) ([][]byte, error)
	// RunScores reads the parts of one module, by part.
	RunScores(ctx context.Context, run trial.ID, module int) ([]RunPart, error)
	// WithdrawnFromRuns lists the trials that have rows in a run and are shared no more, or deleted.
	WithdrawnFromRuns(ctx context.Context) ([]RunTrial, error)

	// CreateRun errors: trial.ErrExists.
	CreateRun(ctx context.Context, by Actor, at time.Time, r RunRow, reason string) error
	// PutRun puts a run in place of what it was. Errors: trial.ErrNotFound.
	PutRun(ctx context.Context, by Actor, at time.Time, r RunRow, act, reason string) error
	// DeleteRun takes a run out with all that belongs to it. Errors: trial.ErrNotFound.
	DeleteRun(ctx context.Context, by Actor, at time.Time, id trial.ID, reason string) error
	// PutRunColumns puts one part of the columns; part 0 takes out what was there before.
	PutRunColumns(ctx context.Context, by Actor, at time.Time, run trial.ID, part int, body []byte) error
	// FreezeRun puts a run whose columns are whole, and the trials that have rows in it; scores of before are taken out. Errors: trial.ErrNotFound.
	FreezeRun(ctx context.Context, by Actor, at time.Time, r RunRow, trials []trial.ID) error
	// PutRunScores puts parts of scores, and the run with its progress, at once; with fresh the modules' other parts are taken out. Errors: trial.ErrNotFound.
	PutRunScores(ctx context.Context, by Actor, at time.Time, r RunRow, fresh bool, parts ...RunPart) error
	// EraseFromRun puts what is left of a run in place of all that it had. Errors: trial.ErrNotFound.
	EraseFromRun(ctx context.Context, by Actor, at time.Time, r RunRow, rest RunRest, act string) error
	// NotePoolExport writes into the audit trail that the pool was exported.
	NotePoolExport(ctx context.Context, by Actor, at time.Time, what, reason string) error
}

// SheetRow is a revision of a bench sheet as stored.
type SheetRow struct {
	PlanID   trial.ID
	Revision int64 // from 1, of this plan
	Owner    trial.MemberID
	TrialID  trial.ID // "": kept alone
	Title    string
	Standing int32 // as the sheet says, for lists; above 0 unless it is deleted
	// Deleted: this revision says that the sheet is. It is kept as standing 0.
	Deleted bool
	At      time.Time
	Body    []byte // a commonvat.bench.v1.KeptSheet, deterministic encoding; callers must not change it
}

// WorkshopRow is a revision of a member's workshop as stored.
type WorkshopRow struct {
	Member   trial.MemberID
	Revision int64 // from 1, of this member
	At       time.Time
	Body     []byte // a commonvat.bench.v1.Workshop
}

// SheetKeeping is what a new revision of a sheet is made from, inside its transaction.
type SheetKeeping struct {
	// Newest is the newest revision; nil when there is none.
	Newest *SheetRow
	// Code reserves the short code of a piece, the same each time it is asked for.
	Code func(piece trial.ID) (string, error)
}

// BenchStore keeps sheets and workshops. They are their member's alone and not in the change feed; no revision is ever overwritten, and each has its entry in
// the audit trail.
type BenchStore interface {
	// KeepSheet keeps the next revision of a sheet, as build makes it. PlanID, Owner and Revision of the row are set here. build runs inside the transaction, possibly more
	// than once, and must touch nothing else; a nil row keeps nothing. act says what was done, for the audit trail. Errors: those of build;
	// trial.ErrExists for a plan of another member's.
	KeepSheet(ctx context.Context, by Actor, at time.Time, plan trial.ID, act, reason string, build func(SheetKeeping) (*SheetRow, error)) (SheetRow, error)
	// Sheet reads a revision of a member's sheet, or with 0 the newest. Errors: trial.ErrNotFound.
	Sheet(ctx context.Context, owner trial.MemberID, plan trial.ID, revision int64) (SheetRow, error)
	// Sheets reads a page of the newest revisions of a member's sheets, newest plan first (by id, descending), below an id: those that are deleted, or those that aren't.
	Sheets(ctx context.Context, owner trial.MemberID, deleted bool, before trial.ID, limit int) ([]SheetRow, error)
	// Workshop reads the newest revision of a member's workshop. Errors: trial.ErrNotFound.
	Workshop(ctx context.Context, member trial.MemberID) (WorkshopRow, error)
	// KeepWorkshop keeps the next revision of the actor's own workshop. Errors: trial.ErrStale when revision isn't one more than the newest.
	KeepWorkshop(ctx context.Context, by Actor, row WorkshopRow) error
}

// Feed is the change feed.
type Feed interface {
	// Revision is that of the last durable change.
	Revision() int64
	// Changes reads changes after a revision, oldest first. A change that put several records has an entry
	// for each, with one revision, and these are never torn apart: the answer may exceed limit by the rest of the
	// last revision, so that asking again after the last revision received misses nothing.
	Changes(ctx context.Context, after int64, limit int) ([]trial.Change, error)
	// WaitForChange returns when the revision is above after, with ctx.Err(), or with ErrUnavailable when closing.
	WaitForChange(ctx context.Context, after int64) error
}

// MemberRow is a member of the cooperative.
type MemberRow struct {
	ID          trial.MemberID
	DisplayName string
	Roles       []string // "member", "researcher", "coordinator", "steward"
	CreatedAt   time.Time
}

// TokenRow is a token as kept: its public id and the hash of its secret.
type TokenRow struct {
	ID         string
	Member     trial.MemberID
	SecretHash [32]byte
	Label      string
	ExpiresAt  time.Time // zero: no end
	RevokedAt  time.Time // zero: in force
	CreatedAt  time.Time
	LastUsedAt time.Time // to the hour; zero: not since it was made
}

// MemberStore keeps members and tokens. They are not in the change feed; the audit trail has every change of them but last uses.
type MemberStore interface {
	// Members reads all, by id.
	Members(ctx context.Context) ([]MemberRow, error)
	// Member errors: trial.ErrNotFound.
	Member(ctx context.Context, id trial.MemberID) (MemberRow, error)
	// CreateMember errors: trial.ErrExists.
	CreateMember(ctx context.Context, by Actor, m MemberRow) error
	// Token errors: trial.ErrNotFound.
	Token(ctx context.Context, id string) (TokenRow, error)
	// Tokens reads a member's, newest first.
	Tokens(ctx context.Context, member trial.MemberID) ([]TokenRow, error)
	// CreateToken errors: trial.ErrExists; trial.ErrNotFound for the member.
	CreateToken(ctx context.Context, by Actor, t TokenRow) error
	// RevokeToken keeps the first time when it was revoked before. Errors: trial.ErrNotFound.
	RevokeToken(ctx context.Context, by Actor, id string, at time.Time) error
	// TouchTokens notes when tokens were last used; unknown ones are passed over, and none goes back.
	TouchTokens(ctx context.Context, used map[string]time.Time) error
}
