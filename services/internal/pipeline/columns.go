package pipeline

import (
	"bytes"
	"fmt"
	"slices"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/sdk"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// chunkBytes is the largest chunk of columns that is sent.
const chunkBytes = 1 << 20

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

// inOrder gives the rows sorted, by reading id, a copy unless they are already, and refuses a doubled id, which would be a fault of ours.
func inOrder(rows []Row) ([]Row, error) {
	sorted := rows
	if !slices.IsSortedFunc(rows, ByReading) {
		sorted = slices.Clone(rows)
		slices.SortFunc(sorted, ByReading)
	}
	for i := 1; i < len(sorted); i++ {
		if sorted[i].ReadingID == sorted[i-1].ReadingID {
			return nil, fmt.Errorf("reading %s is twice among the rows", sorted[i].ReadingID)
		}
	}
	return sorted, nil
}

func checkHeader(header proto.Message) error {
	if size := proto.Size(header); size > headerBytes {
		return fmt.Errorf("%w: its labels take %d bytes; allowed: %d", ErrTooLarge, size, headerBytes)
	}
	return nil
}

// rowBytes bounds the encoded size of a row: id with tag and length, four indexes of at most 5 bytes, three doubles.
func rowBytes(*Row) int { return idText + 4 + 4*5 + 3*8 }

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
