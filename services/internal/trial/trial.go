// Package trial is the domain: fibres, pieces, baths, immersions, layers and
// routes, sessions, trials, looks, readings, waters and experiments, and the rules that
// keep their record honest. It knows nothing of protobuf, SQL or gRPC.
//
// A route is derived from a piece's whole history and never typed. Every amount is
// measured, estimated or not known. Order is a position, not a clock. Only contradictions are
// refused; what merely looks odd is kept with a warning.
package trial

import "time"

// ID is a UUID in its lower-case 36-character form, chosen by whoever made the record.
type ID = string

// MemberID is a member's short name.
type MemberID = string

// Knowledge says how an amount came to be known.
type Knowledge int

// The ways of knowing an amount.
const (
	KnowledgeUnstated Knowledge = iota // no amount was given at all
	Measured
	Estimated
	NotKnown
)

// Unit is the unit of an amount.
type Unit int

// The units kept inside; others are converted at the edge.
const (
	UnitUnstated Unit = iota
	Gram
	Litre
)

// Amount is a mass or a volume as somebody knew it. Value is meaningless
// unless Known reports true.
type Amount struct {
	Knowledge Knowledge
	Value     float64
	Unit      Unit
	Note      string
}

// Known reports whether the amount may be used in a calculation.
func (a Amount) Known() bool { return a.Knowledge == Measured || a.Knowledge == Estimated }

// Precision says how finely a claimed time may be read.
type Precision int

// The precisions of a claimed time.
const (
	PrecisionUnstated Precision = iota
	ToMinute
	ToHour
	ToDay
	ToMonth
)

// ClaimedTime is when a member says that something was done; the zero value is "not stated".
type ClaimedTime struct {
	Time             time.Time
	Precision        Precision
	UTCOffsetMinutes int
}

// Stated reports whether a time was given.
func (c ClaimedTime) Stated() bool { return c.Precision != PrecisionUnstated }

// Entry is what every entry of a record carries beside its content.
type Entry struct {
	ID         ID
	CorrectsID ID     // the entry of the same sort that this one stands in place of, or ""
	Reason     string // why, with CorrectsID
	Superseded bool   // derived: a later entry corrects this one
	RecordedAt time.Time
	RecordedBy MemberID
}

// FibrePart is one fibre of a blend.
type FibrePart struct {
	Fibre   string
	Percent float64
}

// Fibre says what a piece is made of.
type Fibre struct {
	Composition []FibrePart
	Form        string
	Finish      string
	Lot         string // "" means not stated
}

// WeighingBasis is the state in which fibre was weighed.
type WeighingBasis int

// The weighing bases.
const (
	BasisUnstated WeighingBasis = iota
	AirDry
	OvenDry
)

// OriginKind is how a part came from its parent.
type OriginKind int

// The kinds of origin.
const (
	Whole OriginKind = iota
	Split
	Taken
)

// Origin ties a part to the piece it came from; the zero value is a whole piece.
type Origin struct {
	Kind          OriginKind
	ParentID      ID
	AfterPosition int // the position of the parent's own last immersion that the part shares, 0 for none
}

// PieceCorrection is what was wrongly taken down of a piece, put right; nil fields were left as they were.
type PieceCorrection struct {
	Mass, MassBefore   *Amount
	Label, LabelBefore *string
	Fibre, FibreBefore *Fibre
	Reason             string
	RecordedAt         time.Time
	RecordedBy         MemberID
}

// Piece is one physical bit of fibre.
type Piece struct {
	ID                 ID
	TrialID            ID
	Code               string
	Label              string
	SessionID          ID
	Fibre              Fibre
	Mass               Amount // grams, dry
	Basis              WeighingBasis
	BalanceResolutionG float64 // 0 means not stated
	Origin             Origin
	HistoryNotStated   bool
	Holder             MemberID
	Ended              bool // derived: it was split
	LastPosition       int  // derived: of its own last immersion that counts, 0 for none
	Route              Route
	Corrections        []PieceCorrection
}

// Depth is what was wanted of a colour.
type Depth int

// The intended depths.
const (
	DepthUnstated Depth = iota
	Pale
	Medium
	Deep
)

// Immersion is a piece in a bath.
type Immersion struct {
	Entry
	PieceID       ID
	BathID        ID
	Position      int // place in the piece's own order, from 1
	Exhaust       int // 0 fresh, n exhaust bath n
	Dips          int // 0 means 1
	IntendedDepth Depth
	Entered       ClaimedTime
	Left          ClaimedTime
	Note          string
}

// Look is what was seen of a piece or a bath; one of PieceID and BathID is set.
type Look struct {
	Entry
	PieceID ID
	BathID  ID
	Text    string
	At      ClaimedTime
}

// Illuminant is a CIE illuminant, numbered as in the interface; 0 is "not stated".
type Illuminant int

// Observer is a CIE colour-matching observer, numbered as in the interface; 0 is "not stated".
type Observer int

// SpecularMode says whether gloss counted, numbered as in the interface; 0 is "not stated".
type SpecularMode int

// The colour conditions in use.
const (
	IlluminantD65 Illuminant = 1
	IlluminantA   Illuminant = 2

	Observer2  Observer = 1
	Observer10 Observer = 2

	SpecularIncluded SpecularMode = 1
	SpecularExcluded SpecularMode = 2
)

// ColourCondition is what a colour is computed for.
type ColourCondition struct {
	Illuminant Illuminant
	Observer   Observer
}

// Lab is a CIELAB colour.
type Lab struct{ L, A, B float64 }

// Spectrum is a reflectance curve at equal steps; factors, 1 being white.
type Spectrum struct {
	StartNm     float64
	StepNm      float64
	Reflectance []float64
}

// RawColour is what the instrument gave; exactly one of Spectrum and Lab is set.
type RawColour struct {
	Spectrum     *Spectrum
	Lab          *Lab
	LabCondition ColourCondition
}

// PieceState is the state in which a piece was read.
type PieceState int

// The states of a piece when read.
const (
	StateUnstated PieceState = iota
	Wet
	Damp
	Dry
	Finished
	Washed
	Exposed
)

// AgeUnstated is Reading.AgeDays when the age isn't known.
const AgeUnstated = -1

// AfterAll is Reading.AfterPosition of a reading that was not placed.
const AfterAll = -1

// Reading is one colour measurement of a piece.
type Reading struct {
	Entry
	PieceID    ID
	Raw        RawColour
	Specular   SpecularMode
	Geometry   string
	Instrument string
	State      PieceState
	AgeDays    int // AgeUnstated when not stated
	At         ClaimedTime
	// AfterPosition is the position of the piece's own last immersion when it
	// was read, 0 for none. AfterAll in a request: after all that is recorded by then; the core fills it in.
	AfterPosition int
}

// JudgedQuality is what two pieces were judged for.
type JudgedQuality int

// The qualities that are judged.
const (
	Yellower JudgedQuality = iota + 1
	Deeper
	Duller
	GreyScale // how far apart, as a step of a grey scale
)

// JudgedChoice is which of two pieces it was; 0 with GreyScale alone.
type JudgedChoice int

// The choices.
const (
	ChoseNeither JudgedChoice = iota + 1
	ChoseFirst
	ChoseSecond
)

// Judgement is two pieces held side by side and looked at.
type Judgement struct {
	Entry
	FirstID, SecondID ID
	Quality           JudgedQuality
	Choice            JudgedChoice
	GreyScaleStep     float64 // 1 to 5 in half steps with GreyScale, else 0
	Light             string  // "": not stated
	Blind             bool
	At                ClaimedTime
	// The positions of the pieces' own last immersions, as of Reading.AfterPosition.
	FirstAfter, SecondAfter int
}

// SharingLevel is who may read a record.
type SharingLevel int

// The sharing levels.
const (
	Mine SharingLevel = iota + 1
	Cooperative
	Public
)

// Sharing is a record's place in the pool.
type Sharing struct {
	Level   SharingLevel
	Licence string
	Since   time.Time
}

// State is how far a trial has come.
type State int

// The states of a trial.
const (
	Planned State = iota + 1
	Begun
	FinishedTrial
	Abandoned
)

// Session is one run of one set of pots by one member.
type Session struct {
	ID           ID
	ExperimentID ID
	Begun        ClaimedTime
	Note         string
}

// Warning says what looked odd in an entry kept as given.
type Warning struct {
	EntryID ID
	Text    string
}

// Trial is one member's record of one or more sessions towards a question.
type Trial struct {
	ID              ID
	Owner           MemberID
	Title           string
	Question        string
	State           State
	AbandonedReason string
	Sharing         Sharing
	Sessions        []Session
	Pieces          []Piece
	Immersions      []Immersion
	Looks           []Look
	Readings        []Reading
	Judgements      []Judgement
	ImportSource    string
	CreatedAt       time.Time
	UpdatedAt       time.Time
	Revision        int64
	Warnings        []Warning
	DeletedAt       time.Time // zero: it isn't
}

// Purpose is what a bath is for.
type Purpose int

// The purposes of a bath.
const (
	Scour Purpose = iota + 1
	MordantBath
	TanninBath
	DyeBath
	Vat
	ModifierBath
	Rinse
)

// Role is what a material does in a bath.
type Role int

// The roles of a material.
const (
	Dye Role = iota + 1
	Mordant
	Tannin
	Assist
	Modifier
)

// Addition is a material put into a bath.
type Addition struct {
	Entry
	Material string
	Role     Role
	Lot      string
	Amount   Amount
	Exhaust  int // 0 fresh bath, n added for exhaust bath n
	At       ClaimedTime
	// DensityKgPerL of a liquid; nil when not measured. Range: 0.5 to 3.
	DensityKgPerL *float64
}

// Grams is the mass that went in: as weighed, or of a volume whose density is known.
func (a *Addition) Grams() (g float64, known bool) {
	switch {
	case !a.Amount.Known():
		return 0, false
	case a.Amount.Unit == Gram:
		return a.Amount.Value, true
	case a.Amount.Unit == Litre && a.DensityKgPerL != nil:
		return a.Amount.Value * *a.DensityKgPerL * 1000, true
	}
	return 0, false
}

// WaterPart is one water of a bath's mix.
type WaterPart struct {
	SourceID ID
	SampleID ID
	Parts    float64
}

// Check is a measurement or note of a bath.
type Check struct {
	Entry
	PH           *float64
	TemperatureC *float64
	Exhaust      int
	At           ClaimedTime
	Note         string
}

// Bath is one pot or vat, a record of its own.
type Bath struct {
	ID                     ID
	Owner                  MemberID
	Label                  string
	Vessel                 string
	Purposes               []Purpose
	BlankOf                string
	Liquor                 Amount // litres
	Water                  []WaterPart
	Additions              []Addition
	Checks                 []Check
	ContentsNotStated      bool
	ExhaustNumberNotStated bool
	ExhaustNotStated       bool // not said whether fresh or exhaust
	OpenToMembers          bool
	Sharing                Sharing
	CreatedAt              time.Time
	UpdatedAt              time.Time
	Revision               int64
	DeletedAt              time.Time // zero: it isn't
}

// LayerMaterial is a material that was in the bath of a layer.
type LayerMaterial struct {
	Material string
	Role     Role
}

// Layer is one mordant, tannin, colour or modifier step of a piece's history.
type Layer struct {
	Purposes               []Purpose
	Materials              []LayerMaterial
	Exhaust                int
	ExhaustNumberNotStated bool
	ExhaustNotStated       bool // not said whether fresh or exhaust
	BlankOf                string
	IntendedDepth          Depth
	DeliveredPercentWOF    *float64 // nil when an amount isn't known, in exhaust baths and in vats
	Dips                   int      // in a vat, else 0
	ConcentrationGPerL     *float64 // in a vat, nil when not known
	BathID                 ID
	Water                  string
	ContentsNotStated      bool
}

// Route is the ordered layers of a piece.
type Route struct {
	Layers    []Layer
	Order     string
	NotStated bool
	Text      string
}

// WaterSample is a source's water on a day; nil was not measured.
type WaterSample struct {
	Entry
	Taken            ClaimedTime
	HardnessMgPerL   *float64
	AlkalinityMgPerL *float64
	PH               *float64
	IronMgPerL       *float64
}

// WaterSource is a well, a tap, a rain butt.
type WaterSource struct {
	ID         ID
	Owner      MemberID
	Name       string
	Kind       string
	Place      string // shown to the owner alone, unless PlaceShown
	PlaceShown bool
	Common     bool
	Samples    []WaterSample
	CreatedAt  time.Time
	UpdatedAt  time.Time
	Revision   int64
	DeletedAt  time.Time // zero: it isn't
}

// Arm is one treatment of an order experiment.
type Arm int

// The arms; A is the first dye, B the second.
const (
	ArmA Arm = iota + 1
	ArmB
	ArmAThenB
	ArmBThenA
	ArmAThenBlank
	ArmBThenBlank
	ArmUndyed
)

// Asks is what an experiment asks.
type Asks int

// The questions; the zero value stands for orders.
const (
	AsksOrders Asks = iota + 1
	AsksWaters
	AsksFibres
	AsksMordants
	AsksExhaustBaths
)

// WaterFigure is a figure of a water; the zero value is none.
type WaterFigure int

// The figures.
const (
	Hardness WaterFigure = iota + 1
	Alkalinity
	PH
	Iron
)

// Experiment is a question with its plan.
type Experiment struct {
	ID              ID
	Owner           MemberID
	Title           string
	FirstDye        string
	SecondDye       string
	Arms            []Arm
	ToleranceDE00   float64
	ClosingSessions int
	Instrument      string
	Condition       ColourCondition
	Asks            Asks
	WaterSourceIDs  []ID        // compared; the others are held against the first
	Values          []string    // compared, as the pool calls them
	WaterFigure     WaterFigure // named beforehand
	CreatedAt       time.Time
	UpdatedAt       time.Time
	Revision        int64
	DeletedAt       time.Time // zero: it isn't
}

// Asking is what the experiment asks; experiments from before there were other questions ask for orders.
func (e *Experiment) Asking() Asks {
	if e.Asks == 0 {
		return AsksOrders
	}
	return e.Asks
}
