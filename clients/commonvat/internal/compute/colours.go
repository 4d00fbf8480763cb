package compute

import (
	"context"
	"io"
	"regexp"
	"slices"
	"strconv"

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
	if c.Scale != Percent && c.Scale != Factor {
		return 0, fault("--scale", "is needed: percent, or factor when white is 1")
	}
	for _, condition := range c.Conditions {
		if _, err := colorimetry.ParseCondition(condition); err != nil {
			return 0, fault("--condition", "has %.40q: %v", condition, err)
		}
	}
	if len(c.Conditions) == 0 {
		return 0, fault("--condition", "is empty")
	}
	t, err := openTable(in, c.Common)
	if err != nil {
		return 0, err
	}
	var columns, others []string
	var nm []float64
	for _, name := range t.header {
		m := wavelength.FindStringSubmatch(name)
		if m == nil {
			others = append(others, name)
			continue
		}
		v, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			return 0, fault("header", "has %.40q, want R and a wavelength in nm", name)
		}
		if n := len(nm); n > 0 && v <= nm[n-1] {
			return 0, fault("header", "has %s behind %s, want wavelengths that rise, each once", name, columns[n-1])
		}
		columns, nm = append(columns, name), append(nm, v)
	}
	if len(nm) < 2 {
		return 0, fault("header", "has %d columns of wavelengths, want such as R400 to R700", len(nm))
	}
	if c.Keep == nil {
		c.Keep = others
	}
	var names []string
	for _, condition := range c.Conditions {
		for _, n := range []string{"X", "Y", "Z", "L", "a", "b"} {
			if len(c.Conditions) > 1 {
				n += " " + condition
			}
			if slices.Contains(names, n) {
				return 0, fault("condition", "has %s twice", condition)
			}
			names = append(names, n)
		}
	}
	names = append(names, "KS", "KS_nm", "KS_clipped", "KS_saturated")
	w, err := newWriter(out, t, c.Keep, names)
	if err != nil {
		return 0, err
	}
	module, err := conn(ctx, sdk.KindReading)
	if err != nil {
		return 0, err
	}
	client := readingv1.NewReadingServiceClient(module)
	b := batch{w: w, progress: c.Progress, ask: func(rows []row, wrong []string) ([][]float64, error) {
		req := &readingv1.ComputeColoursRequest{}
		var asked []int
		for i, r := range rows {
			if wrong[i] != "" {
				continue
			}
			curve, err := c.curve(t, r, columns, nm)
			if err != nil {
				wrong[i] = err.Error()
				continue
			}
			req.Curves = append(req.Curves, curve)
			asked = append(asked, i)
		}
		figures := make([][]float64, len(rows))
		for i := range figures {
			figures[i] = make([]float64, 0, len(names))
		}
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
	}}
	return b.run(ctx, t)
}

// flag is how a table says yes and no.
func flag(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

// curve reads the figures of a row and refuses those that don't look like the scale that was told.
func (c Colours) curve(t *table, r row, columns []string, nm []float64) (*readingv1.Curve, error) {
	out := &readingv1.Curve{WavelengthNm: nm, Reflectance: make([]float64, len(nm))}
	if err := t.numbers(r, columns, out.Reflectance); err != nil {
		return nil, err
	}
	largest := slices.Max(out.Reflectance)
	if c.Scale == Factor {
		if largest > 2 {
			return nil, fault("reflectance", "reaches %g, which is no factor (0 to 2): is it percent?", largest)
		}
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
