package trial

import (
	"errors"
	"fmt"
)

// The kinds of fault that the domain and the store report. Everything else is
// an unexpected fault. They are wrapped with the particulars, and mapped to a
// status at one place only.
var (
	// ErrNotFound: the record isn't there, or the caller may not know that it is.
	ErrNotFound = errors.New("not found")
	// ErrExists: the id is in use.
	ErrExists = errors.New("already exists")
	// ErrForbidden: the record is readable, the change isn't the caller's to make.
	ErrForbidden = errors.New("not allowed")
	// ErrImpossible: the change would make a history that can't have been.
	ErrImpossible = errors.New("impossible history")
	// ErrInvalid: an entry contradicts itself or the record; see FieldFault.
	ErrInvalid = errors.New("invalid")
	// ErrRequestReused: the request id was used with another body.
	ErrRequestReused = errors.New("request id was used with another body")
	// ErrConflict: the record says otherwise already.
	ErrConflict = errors.New("conflict")
	// ErrStale: the record changed since the caller read it; see StaleError.
	ErrStale = errors.New("changed since it was read")
	// ErrNotDeleted: only a deleted record can be undeleted.
	ErrNotDeleted = errors.New("not deleted")
)

// FieldFault is one fault of one field; it unwraps to ErrInvalid.
type FieldFault struct {
	Field string // path as in the request, for example "trial.pieces[2].mass.value"
	Text  string // what is wrong, with the value and the allowed range
}

// Error implements error.
func (f *FieldFault) Error() string { return f.Field + ": " + f.Text }

// Unwrap makes errors.Is(err, ErrInvalid) true.
func (f *FieldFault) Unwrap() error { return ErrInvalid }

// RecordKind is the sort of a record, as the change feed, the history and the audit trail name it.
type RecordKind = string

// The sorts of records.
const (
	TrialRecord      RecordKind = "trial"
	BathRecord       RecordKind = "bath"
	WaterRecord      RecordKind = "water"
	ExperimentRecord RecordKind = "experiment"
)

// StaleError says that a record isn't at the version that the caller read; it unwraps to ErrStale.
type StaleError struct {
	Kind    RecordKind
	ID      ID
	Given   string // the etag that the caller sent
	Current string // that of the record
}

// Error implements error.
func (e *StaleError) Error() string {
	return fmt.Sprintf("%s %s: %v: etag %s was given, it is %s", e.Kind, e.ID, ErrStale, e.Given, e.Current)
}

// Unwrap makes errors.Is(err, ErrStale) true.
func (e *StaleError) Unwrap() error { return ErrStale }

// PieceRef names a piece and the trial that keeps it.
type PieceRef struct {
	PieceID ID
	TrialID ID
}

// Records is what a change reads and writes, inside one transaction. What was
// put is seen by later reads of the same transaction. A returned record is the
// caller's own copy. Missing records give ErrNotFound.
type Records interface {
	Trial(id ID) (*Trial, error)
	Bath(id ID) (*Bath, error)
	WaterSource(id ID) (*WaterSource, error)
	Experiment(id ID) (*Experiment, error)
	MemberExists(id MemberID) (bool, error)

	// TrialOfPiece tells which trial keeps a piece.
	TrialOfPiece(id ID) (ID, error)
	// PartsOf lists the pieces that came from a piece, of whatever trial.
	PartsOf(parent ID) ([]PieceRef, error)
	// PiecesInBath lists the pieces with an immersion in a bath, of whatever trial.
	PiecesInBath(bath ID) ([]PieceRef, error)

	// CreateTrial and CreateBath give ErrExists when the id, or one of an entry of theirs, is in use.
	CreateTrial(t *Trial) error
	PutTrial(t *Trial, kind ChangeKind) error
	CreateBath(b *Bath) error
	PutBath(b *Bath, kind ChangeKind) error
	CreateWaterSource(w *WaterSource) error
	PutWaterSource(w *WaterSource, kind ChangeKind) error
	CreateExperiment(e *Experiment) error
	PutExperiment(e *Experiment, kind ChangeKind) error

	// BathsWithWater lists the baths, deleted ones too, whose mix names a water source.
	BathsWithWater(source ID) ([]ID, error)
	// TrialsOfExperiment lists the trials, deleted ones too, of which a session counts towards an experiment.
	TrialsOfExperiment(experiment ID) ([]ID, error)

	// ImportLink finds what an earlier import of this member and source made of a key; ErrNotFound if nothing.
	ImportLink(member MemberID, source string, kind ImportKind, key string) (ImportLink, error)
	PutImportLink(member MemberID, source string, kind ImportKind, key string, link ImportLink) error

	// NewPieceCode reserves a short code, unique in the cooperative.
	NewPieceCode() (string, error)
	// PieceCode is the code that was reserved for a piece of the actor's when it was planned, or else a new one.
	PieceCode(piece ID) (string, error)
}

// ImportKind is the sort of record that an import key stands for.
type ImportKind string

// The sorts of import keys.
const (
	ImportRowKey     ImportKind = "row"
	ImportPieceKey   ImportKind = "piece"
	ImportBathKey    ImportKind = "bath"
	ImportSessionKey ImportKind = "session"
	ImportTrialKey   ImportKind = "trial" // "1", "2", ...: the trials of the source; the last takes its next rows
)

// ImportLink is what an import key became.
type ImportLink struct {
	RecordID    ID
	TrialID     ID
	ContentHash [32]byte // of what a row, or rows of a piece or bath, say of it; zero for other kinds
}

// ChangeKind is what happened to a record, as the change feed tells it.
type ChangeKind int

// The kinds of change.
const (
	Created ChangeKind = iota + 1
	Changed
	RoutesChanged
	Shared
	Withdrawn
	Deleted
	Undeleted
)

// Change is one entry of the change feed.
type Change struct {
	Revision   int64
	Kind       ChangeKind
	RecordKind RecordKind
	RecordID   ID
	ByMember   MemberID
	At         int64 // microseconds since 1970, UTC
}
