package width

import (
	"fmt"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// RowError refuses one row. Err is a *colorimetry.FieldError.
type RowError struct {
	Index     int // in the rows as given
	ReadingID string
	Err       error
}

// Error names the row by index and id, then field, value and allowed range.
func (e *RowError) Error() string {
	return fmt.Sprintf("row %d (reading %.60q): %v", e.Index, e.ReadingID, e.Err)
}

// Unwrap gives the *colorimetry.FieldError.
func (e *RowError) Unwrap() error { return e.Err }

// InOrder checks what every row must have — an id that occurs once, a cell, a colour — and gives the n rows' indexes ordered by
// reading id. The error is a *RowError.
func InOrder(n int, row func(i int) (readingID, cell string, lab colorimetry.Lab)) ([]int, error) {
	order := make([]int, n)
	ids := make([]string, n)
	for i := range order {
		order[i] = i
		ids[i], _, _ = row(i)
	}
	if !slices.IsSorted(ids) { // as rows of a stream are
		slices.SortStableFunc(order, func(i, j int) int { return strings.Compare(ids[i], ids[j]) })
	}
	for k, i := range order {
		id, cell, lab := row(i)
		bad := func(err error) ([]int, error) { return nil, &RowError{Index: i, ReadingID: id, Err: err} }
		switch {
		case id == "":
			return bad(refuse("reading_id", `""`, "a text that is not empty"))
		case k > 0 && ids[order[k-1]] == id:
			return bad(refuse("reading_id", fmt.Sprintf("%.60q", id), fmt.Sprintf("ids that occur once; row %d has it too", order[k-1])))
		case cell == "":
			return bad(refuse("cell", `""`, "a text that is not empty"))
		}
		if err := lab.Validate(); err != nil {
			return bad(colorimetry.Under("lab", err))
		}
	}
	return order, nil
}
