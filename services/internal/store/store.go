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
	MemberStore
	// Close lets the changes that wait become durable, refuses later ones with ErrUnavailable, and lets go of the files.
	Close() error
}

// ChangeRequest is one change to be made durable.
type ChangeRequest struct {
	// Member who asks; recorded in the change feed.
	Member trial.MemberID
	// RequestID is a UUID, or "" for changes that are safe to repeat by their own keys. It is the member's: two
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
	Revision int64
	Body     []byte // a commonvat.lab.v1.Trial, deterministic encoding; callers must not change it
}

// BathRow is a bath as stored; Body is a commonvat.lab.v1.Bath.
type BathRow struct {
	ID            trial.ID
	Owner         trial.MemberID
	Sharing       trial.SharingLevel
	OpenToMembers bool
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
	// those shared with the cooperative or the public, and those of which the reader holds a piece.
	// Errors: trial.ErrInvalid (a *trial.FieldFault) for a bad predicate.
	ListTrials(ctx context.Context, query TrialQuery) ([]TrialRow, error)
	// SharedTrials reads a page of the trials at level cooperative or public, by id ascending, after a given id.
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

// TrialQuery is a page of trials that a member may read.
type TrialQuery struct {
	Reader trial.MemberID
	// Where may be nil.
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
	// ListBaths reads a page, newest first, of the baths that the reader may read: own, shared, open to
	// members, or with a piece in it that the reader owns or holds.
	ListBaths(ctx context.Context, reader trial.MemberID, beforeID trial.ID, limit int) ([]BathRow, error)
}

// RecordReader reads the small records; lists come newest first (by id, descending), single ones may
// give trial.ErrNotFound.
type RecordReader interface {
	WaterSources(ctx context.Context, beforeID trial.ID, limit int) ([]trial.WaterSource, error)
	WaterSource(ctx context.Context, id trial.ID) (*trial.WaterSource, error)
	Experiments(ctx context.Context, beforeID trial.ID, limit int) ([]trial.Experiment, error)
	Experiment(ctx context.Context, id trial.ID) (*trial.Experiment, error)
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
}

// MemberStore keeps members and tokens. They are not in the change feed.
type MemberStore interface {
	// Members reads all, by id.
	Members(ctx context.Context) ([]MemberRow, error)
	// Member errors: trial.ErrNotFound.
	Member(ctx context.Context, id trial.MemberID) (MemberRow, error)
	// CreateMember errors: trial.ErrExists.
	CreateMember(ctx context.Context, m MemberRow) error
	// Token errors: trial.ErrNotFound.
	Token(ctx context.Context, id string) (TokenRow, error)
	// CreateToken errors: trial.ErrExists; trial.ErrNotFound for the member.
	CreateToken(ctx context.Context, t TokenRow) error
	// RevokeToken keeps the first time when it was revoked before. Errors: trial.ErrNotFound.
	RevokeToken(ctx context.Context, id string, at time.Time) error
}
