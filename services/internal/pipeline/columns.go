package pipeline

import (
	"bytes"
	"fmt"
	"iter"
	"slices"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/sdk"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// chunkBytes is the largest chunk of columns that may be sent, and that is kept or exported; sentBytes is the largest that is: a module reads one while the next
// is made, the more so the smaller they are, and each has its price.
const (
	chunkBytes = 1 << 20
	sentBytes  = 1 << 18
)

// headerBytes is the largest header that is sent: what the SDK has modules take, less room for the frame.
const headerBytes = sdk.MaxMessageBytes - 1<<16

// Row is one colour with its labels, indexes into Labels.
type Row struct {
	ReadingID uuid.UUID // travels as a text, which is ordered as it is
	Group     uint32
	Block     uint32
	Stratum   uint32
	Cell      uint32
	Lab       trial.Lab
	// Sent alone to modules that ask for them, of a question that has them: days between dyeing and reading, -1 not known; and a spectrum, or nil.
	AgeDays  float64
	Spectrum *trial.Spectrum
}

// Labels is what the indexes of rows mean; each text once in its list. Blocks are in the order in which sessions were completed,
// after "" for rows of no known session.
type Labels struct {
	Groups []string
	Blocks []string
	Strata []string
	Cells  []string
}

func (l Labels) message() *columnsv1.Labels {
	return &columnsv1.Labels{Groups: l.Groups, Blocks: l.Blocks, Strata: l.Strata, Cells: l.Cells}
}

// ByReading orders rows by their reading ids.
func ByReading(a, b Row) int { return bytes.Compare(a.ReadingID[:], b.ReadingID[:]) }

// Rows are rows in the order of their reading ids, each id once. They may be made while they are gone through, which is done several times.
type Rows interface {
	Len() int
	All() iter.Seq[Row]
}

// RowList is rows that are there already.
type RowList []Row

// Len is how many there are.
func (l RowList) Len() int { return len(l) }

// All goes through them.
func (l RowList) All() iter.Seq[Row] { return slices.Values(l) }

// InOrder gives rows sorted, by reading id, a copy unless they are already.
func InOrder(rows []Row) RowList {
	if slices.IsSortedFunc(rows, ByReading) {
		return rows
	}
	sorted := slices.Clone(rows)
	slices.SortFunc(sorted, ByReading)
	return sorted
}

// checkOrder refuses an id that is doubled or before its turn, which would be a fault of ours.
func checkOrder(rows Rows) error {
	var last uuid.UUID
	first := true
	for row := range rows.All() {
		switch order := bytes.Compare(last[:], row.ReadingID[:]); {
		case first:
			first = false
		case order == 0:
			return fmt.Errorf("reading %s is twice among the rows", row.ReadingID)
		case order > 0:
			return fmt.Errorf("reading %s is out of order among the rows", row.ReadingID)
		}
		last = row.ReadingID
	}
	return nil
}

// inOrder is InOrder and refuses a doubled id.
func inOrder(rows []Row) ([]Row, error) {
	if ascending(rows) { // as most are: one look at them
		return rows, nil
	}
	sorted := InOrder(rows)
	return sorted, checkOrder(sorted)
}

// ascending tells whether every id comes after the one before it.
func ascending(rows []Row) bool {
	for i := 1; i < len(rows); i++ {
		if bytes.Compare(rows[i-1].ReadingID[:], rows[i].ReadingID[:]) >= 0 {
			return false
		}
	}
	return true
}

func checkHeader(header proto.Message) error {
	if size := proto.Size(header); size > headerBytes {
		return fmt.Errorf("%w: its labels take %d bytes; allowed: %d", ErrTooLarge, size, headerBytes)
	}
	return nil
}

// rowBytes bounds the encoded size of a row: id with tag and length, four indexes of at most 5 bytes, three doubles. frameBytes is room for tags and lengths of
// the packed columns and of the message around them, and chunkRows how many rows fit a chunk that is sent for certain.
const (
	rowBytes   = idText + 4 + 4*5 + 3*8
	frameBytes = 64
	chunkRows  = (sentBytes - frameBytes) / rowBytes
)

func columns(rows []Row) *columnsv1.ColourColumns {
	n := len(rows)
	c := &columnsv1.ColourColumns{
		ReadingId: make([]string, n),
		Group:     make([]uint32, n), Block: make([]uint32, n), Stratum: make([]uint32, n), Cell: make([]uint32, n),
		L: make([]float64, n), A: make([]float64, n), B: make([]float64, n),
	}
	for i, r := range rows {
		c.ReadingId[i] = r.ReadingID.String()
		c.Group[i], c.Block[i], c.Stratum[i], c.Cell[i] = r.Group, r.Block, r.Stratum, r.Cell
		c.L[i], c.A[i], c.B[i] = r.Lab.L, r.Lab.A, r.Lab.B
	}
	return c
}
