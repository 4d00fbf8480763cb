package compute

import (
	"context"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Scale is what the figures of spectra are.
type Scale string

// The scales. Nothing is guessed: 0.9 may be a factor, or less than one percent.
const (
	Percent Scale = "percent"
	Factor  Scale = "factor"
)

// Colours says how to read spectra.
type Colours struct {
	Common
	Conditions []string // such as "D65/10", "FL11/2", "5500K/10"
	Scale      Scale
}

// Wavelengths stand in the names of their columns.
var wavelength = regexp.MustCompile(`^R([0-9]{3,4}(?:\.[0-9]+)?)$`)

// Run reads rows with a spectrum each, in columns such as R360 to R740, and writes them with XYZ and CIELAB under each condition, and K/S where they
// absorb most, with 1 where it is that of a limit, and where there is more dye than it says. It tells how many rows have none.
func (c Colours) Run(ctx context.Context, conn Conn, in io.Reader, out io.Writer) (bad int, err error) {
	if err := c.Check(); err != nil {
		return 0, err
	}
	t, err := openTable(in, c.Common)
	if err != nil {
		return 0, err
	}
	curves := curveColumns{}
	others, err := curves.find(t.header)
	if err != nil {
		return 0, err
	}
	if c.Keep == nil {
		c.Keep = others
	}
	figures, err := c.figures()
	if err != nil {
		return 0, err
	}
	module, err := conn(ctx, sdk.KindReading)
	if err != nil {
		return 0, err
	}
	client := readingv1.NewReadingServiceClient(module)
	if err := c.known(ctx, client, curves); err != nil {
		return 0, err
	}
	by, err := computedBy(ctx, module, c.Timeout, "condition "+strings.Join(c.Conditions, ", "), "scale "+string(c.Scale))
	if err != nil {
		return 0, err
	}
	w, err := newWriter(out, t, c.Keep, figures, by)
	if err != nil {
		return 0, err
	}
	b := batch{w: w, progress: c.Progress, ask: func(rows []row, wrong []string) ([][]float64, error) {
		return c.ask(ctx, client, t, curves, rows, wrong)
	}}
	return b.run(ctx, t)
}

// Check refuses a scale or a condition that can't be, whatever the table.
func (c Colours) Check() error {
	if c.Scale != Percent && c.Scale != Factor {
		return fault("--scale", "is needed: percent, or factor when white is 1")
	}
	for _, condition := range c.Conditions {
		if _, err := colorimetry.ParseCondition(condition); err != nil {
			return fault("--condition", "has %.40q: %v", condition, err)
		}
	}
	if len(c.Conditions) == 0 {
		return fault("--condition", "is empty")
	}
	return nil
}

// curveColumns are the columns of a table that hold curves.
type curveColumns struct {
	names []string
	nm    []float64
}

// find takes the columns of wavelengths out of a header; others are the rest.
func (c *curveColumns) find(header []string) (others []string, err error) {
	for _, name := range header {
		m := wavelength.FindStringSubmatch(name)
		if m == nil {
			others = append(others, name)
			continue
		}
		v, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			return nil, fault("header", "has %.40q, want R and a wavelength in nm", name)
		}
		if n := len(c.nm); n > 0 && v <= c.nm[n-1] {
			return nil, fault("header", "has %s behind %s, want wavelengths that rise, each once", name, c.names[n-1])
		}
		c.names, c.nm = append(c.names, name), append(c.nm, v)
	}
	if len(c.nm) < 2 {
		return nil, fault("header", "has %d columns of wavelengths, want such as R400 to R700", len(c.nm))
	}
	return others, nil
}

// known asks for a grey once under each condition, so that wavelengths or a condition which the module refuses are told before a line is written.
func (c Colours) known(ctx context.Context, client readingv1.ReadingServiceClient, of curveColumns) error {
	grey := &readingv1.Curve{WavelengthNm: of.nm, Reflectance: make([]float64, len(of.nm))}
	for i := range grey.Reflectance {
		grey.Reflectance[i] = 0.5
	}
	for _, condition := range c.Conditions {
		got, err := within(ctx, c.Timeout, func(ctx context.Context) (*readingv1.ComputeColoursResponse, error) {
			return client.ComputeColours(ctx, &readingv1.ComputeColoursRequest{AnyCondition: condition, Curves: []*readingv1.Curve{grey}})
		})
		if err != nil {
			return err
		}
		for _, a := range got.GetColours() {
			if a.GetFault() != "" {
				return fault("header", "has columns of wavelengths that can't be used: %s", a.GetFault())
			}
		}
	}
	return nil
}

// figures names the columns that are computed.
func (c Colours) figures() ([]string, error) {
	var names []string
	for _, condition := range c.Conditions {
		for _, n := range []string{"X", "Y", "Z", "L", "a", "b"} {
			if len(c.Conditions) > 1 {
				n += " " + condition
			}
			if slices.Contains(names, n) {
				return nil, fault("condition", "has %s twice", condition)
			}
			names = append(names, n)
		}
	}
	return append(names, "KS", "KS_nm", "KS_clipped", "KS_saturated"), nil
}

// ask computes the figures of rows under each condition in turn, and puts what is wrong with a row in its place.
func (c Colours) ask(ctx context.Context, client readingv1.ReadingServiceClient, t *table, of curveColumns, rows []row, wrong []string) ([][]float64, error) {
	req := &readingv1.ComputeColoursRequest{}
	var asked []int
	for i, r := range rows {
		if wrong[i] != "" {
			continue
		}
		curve, err := c.curve(t, r, of)
		if err != nil {
			wrong[i] = err.Error()
			continue
		}
		req.Curves = append(req.Curves, curve)
		asked = append(asked, i)
	}
	figures := make([][]float64, len(rows))
	if len(asked) == 0 {
		return figures, nil
	}
	for k, condition := range c.Conditions {
		req.AnyCondition = condition
		got, err := within(ctx, c.Timeout, func(ctx context.Context) (*readingv1.ComputeColoursResponse, error) {
			return client.ComputeColours(ctx, req)
		})
		if err != nil {
			return nil, err
		}
		if n := len(got.GetColours()); n != len(asked) {
			return nil, status.Errorf(codes.Internal, "the module answered %d curves of %d", n, len(asked))
		}
		for n, i := range asked {
			a := got.GetColours()[n]
			switch {
			case wrong[i] != "":
			case a.GetFault() != "":
				wrong[i] = a.GetFault()
				if len(c.Conditions) > 1 {
					wrong[i] = condition + ": " + a.GetFault()
				}
			case a.GetXyz() == nil || a.GetLab() == nil || a.StrengthKs == nil:
				return nil, status.Error(codes.Internal, "the module answered a curve without XYZ, CIELAB or K/S")
			default:
				x, l := a.GetXyz(), a.GetLab()
				figures[i] = append(figures[i], x.GetX(), x.GetY(), x.GetZ(), l.GetL(), l.GetA(), l.GetB())
				if k == len(c.Conditions)-1 {
					figures[i] = append(figures[i], a.GetStrengthKs(), a.GetStrengthNm(), flag(a.GetStrengthClipped()), flag(a.GetStrengthSaturated()))
				}
			}
		}
	}
	return figures, nil
}

// flag is how a table says yes and no.
func flag(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

// curve reads the figures of a row and refuses those that don't look like the scale that was told.
func (c Colours) curve(t *table, r row, of curveColumns) (*readingv1.Curve, error) {
	out := &readingv1.Curve{WavelengthNm: of.nm, Reflectance: make([]float64, len(of.nm))}
	if err := t.numbers(r, of.names, out.Reflectance); err != nil {
		return nil, err
	}
	largest, most := slices.Max(out.Reflectance), float64(colorimetry.MaxReflectance)
	if c.Scale == Factor && largest > most {
		return nil, fault("reflectance", "reaches %g, which is no factor (0 to 2): is it percent?", largest)
	}
	if c.Scale == Percent {
		most *= 100
	}
	for i, v := range out.Reflectance { // by the column's name and as it stands there, which no module knows
		if v < 0 || v > most {
			return nil, &colorimetry.FieldError{Field: of.names[i], Value: strconv.FormatFloat(v, 'g', -1, 64), Allowed: fmt.Sprintf("0 to %g", most)}
		}
	}
	if c.Scale == Factor {
		return out, nil
	}
	// A piece that reflects no more than one percent at any wavelength would be blacker than any dyed one.
	if largest <= 1 && largest > 0 {
		return nil, fault("reflectance", "reaches %g, which may be a factor or at most one percent: it can't be told; if the piece is so black, say factors", largest)
	}
	for i := range out.Reflectance {
		out.Reflectance[i] /= 100 // rounded once: 4.2 becomes the double of 0.042
	}
	return out, nil
}
