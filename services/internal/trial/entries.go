package trial

// Entries is what a member adds to a trial in one step: what has happened
// since, or corrections of what was entered before.
type Entries struct {
	Sessions    []Session
	Pieces      []Piece
	Immersions  []Immersion
	Looks       []Look
	Readings    []Reading
	Judgements  []Judgement
	Corrections []PieceChange
}

// PieceChange asks for what was wrongly taken down of a piece to be put right; at least one of Mass, Label and Fibre is
// not nil. It is kept as a PieceCorrection.
type PieceChange struct {
	PieceID ID
	Mass    *Amount // grams
	Label   *string
	Fibre   *Fibre // not of a part, which has its parent's
	Reason  string
}

// BathEntries is what an owner adds to a bath in one step.
type BathEntries struct {
	Additions []Addition
	Checks    []Check
	// OpenToMembers is nil to leave it as it is.
	OpenToMembers *bool
}

// ImportBath is one step of an imported piece's history.
type ImportBath struct {
	Purposes               []Purpose
	Additions              []Addition // without ids
	ContentsNotStated      bool
	Exhaust                int
	ExhaustNumberNotStated bool
	ExhaustNotStated       bool
	Dips                   int
	IntendedDepth          Depth
	BathKey                string // "": a bath of its own
	WaterSourceID          ID     // "": not stated
}

// ImportRow is one reading of a source with what is known of its piece.
type ImportRow struct {
	RowNumber  int
	RowKey     string
	PieceKey   string // "": a piece of its own
	Label      string
	Fibre      Fibre
	Baths      []ImportBath // by position
	Reading    Reading      // without id and piece
	SessionKey string       // "": no session is known
}

// ImportBatch is a bundle of rows of one source.
type ImportBatch struct {
	Source  string
	Rows    []ImportRow
	Update  bool    // changed content replaces what an earlier import brought
	Sharing Sharing // of the source's first trial; later ones follow the trial before
}

// ImportOutcome is what became of a row.
type ImportOutcome int

// The outcomes of a row.
const (
	ImportAdded ImportOutcome = iota + 1
	ImportUnchanged
	ImportUpdated
	ImportConflict
	ImportRefused
)

// ImportResult tells what became of one row.
type ImportResult struct {
	RowNumber int
	RowKey    string
	Outcome   ImportOutcome
	Reason    string // with ImportConflict and ImportRefused
	ReadingID ID     // "" when the row was refused and has no reading of an earlier import
}

// ImportAnswer tells the outcome of a batch, in the order of its rows.
type ImportAnswer struct {
	Results  []ImportResult
	TrialIDs []ID // the trials that the rows are in, each once
}
