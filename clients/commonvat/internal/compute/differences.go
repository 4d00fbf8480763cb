package compute

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// batchRows is how many rows are asked about in one call.
const batchRows = 1000

// Common is what all tables have.
type Common struct {
	Delimiter rune
	// DecimalComma reads 4,2 for 4.2; what is written has points.
	DecimalComma bool
	Keep         []string // columns that are carried over; nil: those that the command doesn't use up
	Timeout      time.Duration
	Progress     Progress
}

// Wanted is a formula with its factors, 0 for those not given.
type Wanted struct {
	Name       string // as it was written, and as its column is called
	Formula    string
	KL, KC, KH float64
}

// ParseFormula reads NAME or NAME:kL:kC:kH with as many factors as wanted, such as "cmc:2:1". Names and factors are for the module to judge.
func ParseFormula(text string) (Wanted, error) {
	text = strings.TrimSpace(text)
	parts := strings.Split(text, ":")
	w := Wanted{Name: text, Formula: parts[0]}
	if w.Formula == "" || len(parts) > 4 {
		return Wanted{}, fault("formula", "is %.40q, want NAME or NAME:kL:kC:kH, such as cmc:2:1", text)
	}
	for i, k := range []*float64{&w.KL, &w.KC, &w.KH}[:len(parts)-1] {
		v, err := strconv.ParseFloat(parts[i+1], 64)
		if err != nil || !(v > 0) {
			return Wanted{}, fault("formula", "is %.40q, want factors above 0", text)
		}
		*k = v
	}
	return w, nil
}

// Differences says how to read pairs.
type Differences struct {
	Common
	Condition *typesv1.ColourCondition // of both colours of each row; nil: D65/10, or D65/2 of sRGB
	Formulas  []Wanted
	RGBScale  float64 // what full white is in columns R1 to B2: 1 or 255; 0: not told
}

var pairColumns = map[string][]string{
	"L*a*b*":               {"L1", "a1", "b1", "L2", "a2", "b2"},
	"lightness, C and hue": {"L1", "C1", "h1", "L2", "C2", "h2"},
	"sRGB":                 {"R1", "G1", "B1", "R2", "G2", "B2"},
}

// Run reads rows with a pair of colours each, the reference first, and writes them with a column for each formula. It tells how many rows have none.
// Colours are L1,a1,b1,L2,a2,b2, or L1,C1,h1,L2,C2,h2, or R1,G1,B1,R2,G2,B2; a table with more than one of these is refused.
func (d Differences) Run(ctx context.Context, conn Conn, in io.Reader, out io.Writer) (bad int, err error) {
	t, err := openTable(in, d.Common)
	if err != nil {
		return 0, err
	}
	columns, colour, err := d.reader(t)
	if err != nil {
		return 0, err
	}
	condition := d.Condition
	d65x2 := &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1931_2_DEGREE}
	switch srgb := columns[0] == "R1"; {
	case condition == nil && srgb:
		condition = d65x2
	case condition == nil:
		condition = &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}
	case srgb && (condition.GetIlluminant() != d65x2.GetIlluminant() || condition.GetObserver() != d65x2.GetObserver()):
		return 0, fault("condition", "is another than D65/2, which is that of sRGB")
	}
	if d.Keep == nil {
		d.Keep = t.header
	}
	var names []string
	for _, f := range d.Formulas {
		if slices.Contains(names, f.Name) {
			return 0, fault("formula", "has %s twice", f.Name)
		}
		names = append(names, f.Name)
	}
	c, err := conn(ctx, sdk.KindDifference)
	if err != nil {
		return 0, err
	}
	client := differencev1.NewDifferenceServiceClient(c)
	if err := d.known(ctx, client, condition); err != nil {
		return 0, err
	}
	settings := []string{"condition " + words.ShowCondition(condition)}
	if columns[0] == "R1" {
		settings = append(settings, "RGB scale "+output.Figure(d.RGBScale, 10))
	}
	by, err := computedBy(ctx, c, d.Timeout, settings...)
	if err != nil {
		return 0, err
	}
	w, err := newWriter(out, t, d.Keep, names, by)
	if err != nil {
		return 0, err
	}

	b := batch{w: w, progress: d.Progress, ask: func(rows []row, wrong []string) ([][]float64, error) {
		req := &differencev1.ComputeDifferencesRequest{Condition: condition}
		var asked []int
		for i, r := range rows {
			if wrong[i] != "" {
				continue
			}
			var v [6]float64
			if err := t.numbers(r, columns, v[:]); err != nil {
				wrong[i] = err.Error()
				continue
			}
			p, err := colour(v[:3])
			q, err2 := colour(v[3:])
			if err := errors.Join(ofColumn(err, "1"), ofColumn(err2, "2")); err != nil {
				wrong[i] = strings.ReplaceAll(err.Error(), "\n", "; ")
				continue
			}
			req.Pairs = append(req.Pairs, &differencev1.ColourPair{Reference: p, Sample: q})
			asked = append(asked, i)
		}
		figures := make([][]float64, len(rows))
		for i := range figures {
			figures[i] = make([]float64, len(d.Formulas))
		}
		if len(asked) == 0 {
			return figures, nil
		}
		for k, f := range d.Formulas {
			req.Formula, req.KL, req.KC, req.KH = f.Formula, f.KL, f.KC, f.KH
			got, err := within(ctx, d.Timeout, func(ctx context.Context) (*differencev1.ComputeDifferencesResponse, error) {
				return client.ComputeDifferences(ctx, req)
			})
			if err != nil {
				return nil, err
			}
			if n := len(got.GetDifferences()); n != len(asked) {
				return nil, status.Errorf(codes.Internal, "the module answered %d pairs of %d", n, len(asked))
			}
			for n, i := range asked {
				figures[i][k] = got.GetDifferences()[n]
			}
		}
		return figures, nil
	}}
	return b.run(ctx, t)
}

// known asks for each formula once, so that one which the module refuses is told before a line is written.
func (d Differences) known(ctx context.Context, client differencev1.DifferenceServiceClient, condition *typesv1.ColourCondition) error {
	grey := &typesv1.Lab{L: 50}
	for _, f := range d.Formulas {
		_, err := within(ctx, d.Timeout, func(ctx context.Context) (*differencev1.ComputeDifferencesResponse, error) {
			return client.ComputeDifferences(ctx, &differencev1.ComputeDifferencesRequest{
				Condition: condition, Formula: f.Formula, KL: f.KL, KC: f.KC, KH: f.KH, Pairs: []*differencev1.ColourPair{{Reference: grey, Sample: grey}},
			})
		})
		if status.Code(err) == codes.InvalidArgument {
			return fault("--formula", "%s: %s", f.Name, status.Convert(err).Message())
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// ofColumn gives the refusal of a colour the name of its column.
func ofColumn(err error, which string) error {
	var f *colorimetry.FieldError
	if !errors.As(err, &f) {
		return err
	}
	name := f.Field
	if name == "H" {
		name = "h"
	}
	return &colorimetry.FieldError{Field: name + which, Value: f.Value, Allowed: f.Allowed}
}

// reader finds the columns of the two colours, and how three of them become a colour.
func (d Differences) reader(t *table) (columns []string, colour func([]float64) (*typesv1.Lab, error), err error) {
	var found []string
	for name, c := range pairColumns {
		if t.has(c...) {
			found = append(found, name)
		}
	}
	slices.Sort(found)
	switch len(found) {
	case 0:
		return nil, nil, fault("header", "has no pairs of colours, want columns L1,a1,b1,L2,a2,b2 or L1,C1,h1,L2,C2,h2 or R1,G1,B1,R2,G2,B2, in these letters%s", lacking(t))
	case 1:
	default:
		return nil, nil, fault("header", "has colours as %s: leave the columns of one", strings.Join(found, " and as "))
	}
	message := func(c colorimetry.Lab, err error) (*typesv1.Lab, error) {
		if err == nil {
			err = c.Validate()
		}
		return &typesv1.Lab{L: c.L, A: c.A, B: c.B}, err
	}
	columns = pairColumns[found[0]]
	switch columns[1] {
	case "a1":
		colour = func(v []float64) (*typesv1.Lab, error) {
			return message(colorimetry.Lab{L: v[0], A: v[1], B: v[2]}, nil)
		}
	case "C1":
		colour = func(v []float64) (*typesv1.Lab, error) {
			c := colorimetry.LCh{L: v[0], C: v[1], H: v[2]}
			if err := c.Validate(); err != nil {
				return nil, err
			}
			return message(c.Lab(), nil)
		}
	default:
		scale := d.RGBScale
		if scale != 1 && scale != 255 {
			return nil, nil, fault("--rgb-scale", "is needed for sRGB columns: 1 when white is 1, 255 when it is 255")
		}
		colour = func(v []float64) (*typesv1.Lab, error) {
			for i, name := range []string{"R", "G", "B"} {
				if !(v[i] >= 0 && v[i] <= scale) {
					return nil, &colorimetry.FieldError{Field: name, Value: strconv.FormatFloat(v[i], 'g', -1, 64), Allowed: fmt.Sprintf("0 to %g", scale)}
				}
			}
			return message(colorimetry.SRGB{R: v[0] / scale, G: v[1] / scale, B: v[2] / scale}.Lab(), nil)
		}
	}
	return columns, colour, nil
}

// lacking tells which columns of the nearest kind of pairs a table hasn't got; nothing where it has none of any. Nearest is without regard to capitals, as
// which the columns of CIELAB and of sRGB are told apart.
func lacking(t *table) string {
	var missing []string
	most := 0
	for _, kind := range slices.Sorted(maps.Keys(pairColumns)) {
		near := 0
		var without []string
		for _, c := range pairColumns[kind] {
			if slices.ContainsFunc(t.header, func(name string) bool { return strings.EqualFold(name, c) }) {
				near++
			}
			if !t.has(c) {
				without = append(without, c)
			}
		}
		if near > most {
			most, missing = near, without
		}
	}
	if most == 0 {
		return ""
	}
	return "; it lacks " + strings.Join(missing, ", ")
}

// batch carries rows through calls for many of them.
type batch struct {
	w        *writer
	progress Progress
	// ask gives the figures of rows. It may put a fault into wrong, which has those already known.
	ask func(rows []row, wrong []string) ([][]float64, error)
}

func (b batch) run(ctx context.Context, t *table) (bad int, err error) {
	rows, wrong := make([]row, 0, batchRows), make([]string, 0, batchRows)
	done := 0
	for {
		r, readErr := t.next()
		if readErr == nil {
			rows, wrong = append(rows, r), append(wrong, r.fault)
		}
		if len(rows) == batchRows || readErr != nil && len(rows) > 0 {
			if err := ctx.Err(); err != nil {
				return b.w.bad, err
			}
			figures, err := b.ask(rows, wrong)
			if err != nil && done == 0 {
				return b.w.bad, err // nothing is written, not even the header
			}
			if err != nil {
				return b.w.bad, errors.Join(err, b.w.flush())
			}
			for i, r := range rows {
				if err := b.w.write(r, figures[i], wrong[i]); err != nil {
					return b.w.bad, err
				}
			}
			if err := b.w.flush(); err != nil {
				return b.w.bad, err
			}
			done += len(rows)
			b.progress.tell(done)
			rows, wrong = rows[:0], wrong[:0]
		}
		if errors.Is(readErr, io.EOF) {
			return b.w.bad, b.w.flush()
		}
		if readErr != nil {
			return b.w.bad, errors.Join(readErr, b.w.flush())
		}
	}
}

// within makes a call with a deadline.
func within[R any](ctx context.Context, limit time.Duration, call func(context.Context) (R, error)) (R, error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	return call(ctx)
}
