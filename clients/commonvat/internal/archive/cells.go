package archive

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// cell writes a value for a table that is opened in a spreadsheet: numbers stay numbers, at full precision, and text that
// could be taken for a formula gets an apostrophe before it. Values are string, float64, *float64, int, int32, *int32 or bool; nil, a nil
// pointer and what is not finite are told as text or empty.
func cell(value any) string {
	switch v := value.(type) {
	case nil:
		return ""
	case string:
		return output.Harmless(v)
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return output.Harmless(strconv.FormatFloat(v, 'f', -1, 64))
		}
		return strconv.FormatFloat(v, 'f', -1, 64)
	case *float64:
		if v == nil {
			return ""
		}
		return cell(*v)
	case *int32:
		if v == nil {
			return ""
		}
		return strconv.Itoa(int(*v))
	case int, int32:
		return fmt.Sprint(v)
	default:
		return output.Harmless(fmt.Sprint(v))
	}
}

// field writes a cell as RFC 4180 has it, whose section 2 rules 5 to 7 say what stands in quotes. encoding/csv would change line ends within a cell.
func field(text string) string {
	if !strings.ContainsAny(text, "\",\r\n") && strings.TrimSpace(text) == text {
		return text
	}
	return `"` + strings.ReplaceAll(text, `"`, `""`) + `"`
}

// sheet is one table on its way.
type sheet struct {
	w       *writing
	columns int
}

func newSheet(w *writing, columns ...string) (*sheet, error) {
	s := &sheet{w: w, columns: len(columns)}
	cells := make([]any, len(columns))
	for i, c := range columns {
		cells[i] = c
	}
	return s, s.write(cells)
}

func (s *sheet) write(cells []any) error {
	if len(cells) != s.columns {
		return fmt.Errorf("%s: a row of %d cells under %d columns", s.w.entry.Path, len(cells), s.columns)
	}
	var line strings.Builder
	for i, c := range cells {
		if i > 0 {
			line.WriteByte(',')
		}
		line.WriteString(field(cell(c)))
	}
	line.WriteString("\r\n")
	_, err := io.WriteString(s.w, line.String())
	return err
}

func (s *sheet) add(cells ...any) error {
	s.w.entry.Records++
	return s.write(cells)
}

// stamp is a time of the core's clock, in UTC; "" for none.
func stamp(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().Format(time.RFC3339)
}

// claimed is a member's time at their own offset, and how finely it may be read.
func claimed(t *typesv1.ClaimedTime) (at, precision string) {
	if t.GetTime() == nil {
		return "", ""
	}
	zone := time.FixedZone("", int(t.GetUtcOffsetMinutes())*60)
	return t.GetTime().AsTime().In(zone).Format(time.RFC3339), show(t.GetPrecision())
}

// amount is how an amount was known, its figure and what was said of it.
func amount(a *typesv1.Amount) (knowledge string, value any, unit, note string) {
	if a == nil {
		return "", nil, "", ""
	}
	if a.Value != nil {
		value = a.GetValue()
	}
	if a.GetUnit() != 0 {
		unit = show(a.GetUnit())
	}
	return show(a.GetKnowledge()), value, unit, a.GetNote()
}
