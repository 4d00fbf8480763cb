package conformance

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/proto"
)

const maxRaw = 2000 // reading.proto

func readingV1() *contract {
	return &contract{
		name: "commonvat.module.reading.v1", kind: sdk.KindReading,
		method:   readingv1.ReadingService_ComputeColours_FullMethodName,
		newReply: func() proto.Message { return &readingv1.ComputeColoursResponse{} },
		plain: func(r *rand.Rand, _ *module) []question {
			return []question{measurements(r, 2), measurements(r, 1), measurements(r, 30)}
		},
		largest: func(m *module) question { return measurements(m.random("largest"), maxRaw) },
		tooBig: func(m *module) question {
			q := measurements(m.random("too big"), 1)
			q[0].(*readingv1.ComputeColoursRequest).Raw[0] = curve(make([]float64, sdk.MaxMessageBytes/8+1))
			return q
		},
		beyond: func(m *module) []refusal {
			return []refusal{{"raw has 2,001 measurements", measurements(m.random("beyond"), maxRaw+1), []string{"raw"}}}
		},
		empty: func(m *module) []refusal {
			return []refusal{
				{"the request is empty", question{&readingv1.ComputeColoursRequest{}}, []string{"condition", "raw"}},
				{"raw is empty", measurements(m.random("empty"), 0), []string{"raw"}},
				{"raw[0] is empty", inside(m, &typesv1.RawColour{}), []string{"value", "spectrum", "lab", "raw"}},
			}
		},
		invalid:     invalidMeasurements,
		sound:       soundColours,
		faultInside: firstFault,
		items:       func(*describev1.DescribeResponse) []string { return []string{""} },
		laws:        map[describev1.Law]lawTrial{describev1.Law_LAW_ORDER_FREE: readingOrder},
		expected:    []describev1.Law{describev1.Law_LAW_ORDER_FREE},
	}
}

// curve is a reflectance curve from 400 nm in steps of 10 nm.
func curve(reflectance []float64) *typesv1.RawColour {
	return &typesv1.RawColour{Value: &typesv1.RawColour_Spectrum{Spectrum: &typesv1.Spectrum{StartNm: 400, StepNm: 10, Reflectance: reflectance}}}
}

// dyed is a smooth curve of a coloured piece: a band of absorption somewhere between 400 and 700 nm.
func dyed(r *rand.Rand) *typesv1.RawColour {
	centre, width, depth := 400+300*r.Float64(), 40+60*r.Float64(), 0.2+0.6*r.Float64()
	out := make([]float64, 31)
	for i := range out {
		x := (400 + 10*float64(i) - centre) / width
		out[i] = 0.9 - depth*math.Exp(-x*x)
	}
	return curve(out)
}

func stated(x *typesv1.Lab) *typesv1.RawColour {
	return &typesv1.RawColour{Value: &typesv1.RawColour_Lab{Lab: x}, LabCondition: daylight()}
}

func measurements(r *rand.Rand, n int) question {
	req := &readingv1.ComputeColoursRequest{Condition: daylight()}
	for i := range n {
		if i%3 == 1 {
			req.Raw = append(req.Raw, stated(colour(r)))
		} else {
			req.Raw = append(req.Raw, dyed(r))
		}
	}
	return question{req}
}

// inside puts a bad measurement between two good ones, which must still be answered.
func inside(m *module, bad *typesv1.RawColour) question {
	q := measurements(m.random("inside"), 3)
	q[0].(*readingv1.ComputeColoursRequest).Raw[1] = bad
	return q
}

func invalidMeasurements(m *module) []refusal {
	out := badConditions(func(c *typesv1.ColourCondition) question {
		q := measurements(m.random("invalid"), 2)
		q[0].(*readingv1.ComputeColoursRequest).Condition = c
		return q
	})
	bad := func(what string, raw *typesv1.RawColour, names ...string) {
		out = append(out, refusal{"raw[1]: " + what, inside(m, raw), names})
	}
	flat := func(n int, change func(*typesv1.Spectrum)) *typesv1.RawColour {
		raw := curve(make([]float64, n))
		for i := range n {
			raw.GetSpectrum().Reflectance[i] = 0.4
		}
		change(raw.GetSpectrum())
		return raw
	}
	bad("spectrum.start_nm is 200", flat(31, func(s *typesv1.Spectrum) { s.StartNm = 200 }), "start_nm")
	bad("spectrum.step_nm is 7", flat(31, func(s *typesv1.Spectrum) { s.StepNm = 7 }), "step_nm")
	bad("spectrum.step_nm is 0", flat(31, func(s *typesv1.Spectrum) { s.StepNm = 0 }), "step_nm")
	bad("spectrum.reflectance has 7 figures", flat(7, func(*typesv1.Spectrum) {}), "reflectance")
	bad("spectrum.reflectance has 201 figures", flat(201, func(*typesv1.Spectrum) {}), "reflectance")
	bad("spectrum.reflectance[3] is -0.1", flat(31, func(s *typesv1.Spectrum) { s.Reflectance[3] = -0.1 }), "reflectance")
	bad("spectrum.reflectance[3] is 2.1", flat(31, func(s *typesv1.Spectrum) { s.Reflectance[3] = 2.1 }), "reflectance")
	both := curve(flat(31, func(*typesv1.Spectrum) {}).GetSpectrum().GetReflectance())
	both.LabCondition = daylight()
	bad("lab_condition beside a spectrum", both, "lab_condition")
	r := m.random("stated")
	without := stated(colour(r))
	without.LabCondition = nil
	bad("lab_condition is missing", without, "lab_condition")
	other := stated(colour(r))
	other.LabCondition = &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_A, Observer: typesv1.Observer_OBSERVER_CIE_1964_10_DEGREE}
	bad("lab_condition is another than the one asked for", other, "lab_condition")
	for _, c := range outsideLab() {
		x := stated(colour(r))
		c.spoil(x.GetLab())
		bad("lab."+c.what, x, c.name)
	}
	return out
}

func soundColours(_ *module, q question, a reply) error {
	asked, got := q[0].(*readingv1.ComputeColoursRequest), a[0].(*readingv1.ComputeColoursResponse)
	if n, want := len(got.GetColours()), len(asked.GetRaw()); n != want {
		return fmt.Errorf("colours has %d answers for %d measurements", n, want)
	}
	for i, c := range got.GetColours() {
		at := fmt.Sprintf("colours[%d]", i)
		if c.GetFault() != "" {
			return fmt.Errorf("%s.fault is %q for a sound measurement", at, short(c.GetFault(), 200))
		}
		x := c.GetLab()
		if x == nil {
			return fmt.Errorf("%s has neither lab nor fault", at)
		}
		if !(x.GetL() >= 0 && x.GetL() <= 150 && math.Abs(x.GetA()) <= 200 && math.Abs(x.GetB()) <= 200) {
			return fmt.Errorf("%s.lab is %v, %v, %v, want L* 0 to 150, a* and b* -200 to 200", at, x.GetL(), x.GetA(), x.GetB())
		}
		if raw := asked.GetRaw()[i]; raw.GetLab() != nil {
			if !proto.Equal(raw.GetLab(), x) {
				return fmt.Errorf("%s.lab is not the colour as it was stated", at)
			}
			if c.StrengthKs != nil || c.GetStrengthNm() != 0 {
				return fmt.Errorf("%s has a strength without a spectrum", at)
			}
		} else if c.StrengthKs != nil && (c.GetStrengthKs() < 0 || c.GetStrengthNm() < 400 || c.GetStrengthNm() > 700) {
			return fmt.Errorf("%s has strength_ks %v at strength_nm %v, want 0 or above at 400 to 700", at, c.GetStrengthKs(), c.GetStrengthNm())
		}
	}
	return nil
}

// firstFault joins the faults of an answer, as long as they take the place of colours.
func firstFault(a reply) string {
	var out []string
	for _, c := range a[0].(*readingv1.ComputeColoursResponse).GetColours() {
		if c.GetFault() != "" && c.GetLab() == nil {
			out = append(out, c.GetFault())
		}
	}
	return strings.Join(out, "\n")
}

func readingOrder(r *rand.Rand, _ *module, size int) trial {
	q := measurements(r, 2+size%10)
	second := q.clone()
	raw := second[0].(*readingv1.ComputeColoursRequest).Raw
	order := r.Perm(len(raw))
	for i, k := range order {
		raw[i] = q[0].(*readingv1.ComputeColoursRequest).Raw[k]
	}
	figures := func(a reply, at func(int) int) []comparison {
		var out []comparison
		for i, c := range a[0].(*readingv1.ComputeColoursResponse).GetColours() {
			add := func(name string, x *float64) {
				out = append(out, comparison{at: fmt.Sprintf("%s of measurement %d", name, at(i)), want: x})
			}
			add("l", value(c.GetLab().GetL()))
			add("a", value(c.GetLab().GetA()))
			add("b", value(c.GetLab().GetB()))
			add("strength_ks", c.StrengthKs)
		}
		return out
	}
	return trial{first: q, second: second, compare: func(a, b reply) []comparison {
		return pairUp(figures(a, func(i int) int { return i }), figures(b, func(i int) int { return order[i] }), false)
	}}
}
