package retention

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

const (
	minR = colorimetry.MinKSReflectance
	maxR = colorimetry.MaxKSReflectance
)

// Gates of the method.
const (
	LeastTrials       = 4   // for a fit of a class by itself
	LeastRadiusTrials = 9   // for a radius
	MaxRetention      = 1.2 // above it, a pair doesn't follow the model
	MaxErrorDE00      = 3.0 // the same of the mean error
)

// Trial is one set of pots: pieces that share no pot with those of another trial. It is left out as a whole.
type Trial struct {
	ID     string
	Pieces []Piece // 1 or more, each with Both
}

// Method predicts on one grid of wavelengths under one condition. It is immutable and may be used by several goroutines.
type Method struct {
	weights *colorimetry.Weights
	surface Surface
	share   float64
}

// New makes a method. share is the part of pieces that a radius is to hold, 0.5 to 0.99. It refuses a surface out of its range.
func New(weights *colorimetry.Weights, surface Surface, share float64) (*Method, error) {
	if err := surface.Validate(); err != nil {
		return nil, err
	}
	if !(share >= 0.5 && share <= 0.99) {
		return nil, refuse("radius_share", share, "0.5 to 0.99")
	}
	return &Method{weights: weights, surface: surface, share: share}, nil
}

func refuse(field string, value float64, allowed string) error {
	return &colorimetry.FieldError{Field: field, Value: strconv.FormatFloat(value, 'g', -1, 64), Allowed: allowed}
}

// Standing says what a model may be used for.
type Standing int

// The standings.
const (
	NotFitted     Standing = iota + 1 // too few trials; a guess with r = s = 1 is blind to the order
	Borrowed                          // fewer than LeastTrials, drawn toward related trials
	Fitted                            // better than every rule
	NoBetter                          // no better than a rule: not published
	DoesNotFollow                     // the pair doesn't follow the model: not published
	NoFit                             // the trials can't tell; Model.Fault says why
)

// Published tells whether predictions of the model may be given.
func (s Standing) Published() bool { return s == Borrowed || s == Fitted }

// TrialError is how far the pieces of a trial that was left out were from their prediction.
type TrialError struct {
	ID                string
	MeanDE00, MaxDE00 float64
}

// RuleError is the mean error of a rule over the same trials.
type RuleError struct {
	Rule     Rule
	MeanDE00 float64
}

// Model is what the trials of a class say.
type Model struct {
	Standing Standing
	Fault    error // ErrNoEffect or ErrCollinear with NoFit
	Coefficients
	Separable bool    // r and s can be told apart; else only their sum
	Cosine    float64 // of the rows of both dyes
	Toward    *Coefficients
	Trials    int
	Pieces    int
	Clipped   int // readings at which K/S was taken at 0.005 or 0.995
	// MeanDE00 is the mean over trials of the mean error of a trial that was left out.
	MeanDE00 float64
	Left     []TrialError // sorted by id
	Rules    []RuleError  // in the order of Rules; empty without a trial
	// Radius is from 9 trials on: of the largest errors of the trials that were left out, the ceil((n+1) share)-th smallest. Nil: none. It is for a second bath
	// whose own plain piece is known, as it is of every trial.
	Radius *float64
	// AnyBathRadius is there with Radius, for a second bath of which that isn't known: each trial that is left out is predicted with plain pieces of the
	// second dye from other trials, so that the baths' different strengths are in it.
	AnyBathRadius *float64
}

// Best is the rule with the smallest error.
func (m *Model) Best() RuleError {
	return slices.MinFunc(m.Rules, func(a, b RuleError) int { return cmp.Compare(a.MeanDE00, b.MeanDE00) })
}

// Learn fits the model to the trials of a class. related are trials of other classes, toward which fewer than 4 trials are drawn. The order of neither
// matters. Errors: a *colorimetry.FieldError for what is wrong with a curve; ctx.Err().
func (m *Method) Learn(ctx context.Context, trials, related []Trial) (*Model, error) {
	trials, err := m.sorted("trials", trials)
	if err != nil {
		return nil, err
	}
	if related, err = m.sorted("related", related); err != nil {
		return nil, err
	}
	out := &Model{Standing: NotFitted, Coefficients: OrderBlind, Trials: len(trials)}
	rows := make([]reduced, len(trials))
	for i, t := range trials {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		rows[i] = m.reduce(t)
		out.Pieces += len(t.Pieces)
		out.Clipped += rows[i].clipped
	}
	if err := m.tryRules(ctx, out, trials); err != nil {
		return nil, err
	}
	if len(trials) < LeastTrials {
		if out.Toward = m.pooled(related); out.Toward == nil || len(trials) == 0 {
			out.Toward = nil
			return out, nil
		}
	}
	f, err := fit(rows, -1, out.Toward)
	if err == nil {
		err = m.leaveOut(ctx, out, trials, rows)
	}
	switch {
	case errors.Is(err, ErrNoEffect) || errors.Is(err, ErrCollinear):
		out.Standing, out.Fault, out.Cosine, out.Left, out.MeanDE00 = NoFit, err, f.cosine, nil, 0
		return out, nil
	case err != nil:
		return nil, err
	}
	separable := math.Abs(f.cosine) <= CosineLimit
	// Retention by itself says nothing where only the sum can be told.
	strays := separable && f.Retention > MaxRetention || out.MeanDE00 > MaxErrorDE00
	if strays && out.Toward != nil {
		// So few trials can't say that their pair doesn't follow the model: it may be the others' that don't fit it.
		out.Toward, out.Left, out.MeanDE00 = nil, nil, 0
		return out, nil
	}
	out.Coefficients, out.Cosine, out.Separable = f.Coefficients, f.cosine, separable
	switch {
	case strays:
		out.Standing = DoesNotFollow
	case !(out.MeanDE00 < out.Best().MeanDE00-1e-9):
		out.Standing = NoBetter
	case out.Toward != nil:
		out.Standing = Borrowed
	default:
		out.Standing = Fitted
		largest := make([]float64, len(out.Left))
		for i, e := range out.Left {
			largest[i] = e.MaxDE00
		}
		if out.Radius = radius(largest, len(trials), m.share); out.Radius != nil {
			out.AnyBathRadius, err = m.anyBath(ctx, trials, rows)
		}
	}
	return out, err
}

// pooled is what related trials say together; nil when they can't tell.
func (m *Method) pooled(related []Trial) *Coefficients {
	rows := make([]reduced, len(related))
	for i, t := range related {
		rows[i] = m.reduce(t)
	}
	f, err := fit(rows, -1, nil)
	if err != nil || math.Abs(f.cosine) > CosineLimit {
		return nil
	}
	return &f.Coefficients
}

// tryRules gives the error of every rule.
func (m *Method) tryRules(ctx context.Context, out *Model, trials []Trial) error {
	if len(trials) == 0 {
		return nil
	}
	for _, rule := range Rules() {
		sum := 0.0
		for _, t := range trials {
			if err := ctx.Err(); err != nil {
				return err
			}
			e, err := m.errorsOf(t, func(p Piece) (colorimetry.Lab, error) { return m.guess(rule, p) })
			if err != nil {
				return err
			}
			sum += e.MeanDE00
		}
		out.Rules = append(out.Rules, RuleError{rule, sum / float64(len(trials))})
	}
	return nil
}

// mostStandIns is how many other trials lend a trial that was left out a plain piece of the second dye.
const mostStandIns = 8

// anyBath gives the radius for a second bath that has no plain piece yet. Stand-ins are those of all other trials, or of as many as mostStandIns, spread over
// them.
func (m *Method) anyBath(ctx context.Context, trials []Trial, rows []reduced) (*float64, error) {
	n := len(trials)
	standIns := min(n-1, mostStandIns)
	var largest []float64
	for i, t := range trials {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		f, err := fit(rows, i, nil)
		if err != nil {
			return nil, err
		}
		for k := range standIns {
			other := trials[(i+1+k*(n-1)/standIns)%n].Pieces[0].Second
			e, err := m.errorsOf(t, func(p Piece) (colorimetry.Lab, error) {
				p.Second = other
				curve, _ := m.surface.Mix(p, f.Coefficients)
				return m.weights.Lab(curve)
			})
			if err != nil {
				return nil, err
			}
			largest = append(largest, e.MaxDE00)
		}
	}
	return radius(largest, n, m.share), nil
}

// leaveOut predicts each trial by a fit to the others, made in the same way.
func (m *Method) leaveOut(ctx context.Context, out *Model, trials []Trial, rows []reduced) error {
	for i, t := range trials {
		if err := ctx.Err(); err != nil {
			return err
		}
		f, err := fit(rows, i, out.Toward)
		if err != nil {
			return err
		}
		e, err := m.errorsOf(t, func(p Piece) (colorimetry.Lab, error) {
			curve, _ := m.surface.Mix(p, f.Coefficients)
			return m.weights.Lab(curve)
		})
		if err != nil {
			return err
		}
		out.Left = append(out.Left, e)
		out.MeanDE00 += e.MeanDE00 / float64(len(trials))
	}
	return nil
}

func (m *Method) errorsOf(t Trial, predict func(Piece) (colorimetry.Lab, error)) (TrialError, error) {
	e := TrialError{ID: t.ID}
	for _, p := range t.Pieces {
		measured, err := m.weights.Lab(p.Both)
		if err != nil {
			return e, colorimetry.Under(t.ID, err)
		}
		predicted, err := predict(p)
		if err != nil {
			return e, colorimetry.Under(t.ID, err)
		}
		d := colorimetry.CIEDE2000(measured, predicted, colorimetry.DefaultFactors)
		e.MeanDE00 += d / float64(len(t.Pieces))
		e.MaxDE00 = max(e.MaxDE00, d)
	}
	return e, nil
}

// radius is the ceil((n+1) share)-th smallest of the errors of n trials, or as far along where each trial has several; nil where there are too few trials.
func radius(largest []float64, n int, share float64) *float64 {
	if n < RadiusTrials(share) {
		return nil
	}
	each := float64(len(largest)) / float64(n)
	slices.Sort(largest)
	return &largest[int(math.Ceil(radiusRank(n, share)*each))-1]
}

// radiusRank is (trials + 1) share, and of what is a whole number but for rounding a little less, so that it is never the next one.
func radiusRank(trials int, share float64) float64 { return float64(trials+1)*share - 1e-9 }

// RadiusTrials is how many trials a radius that is to hold a share of pieces takes at the least: 9 up to 0.9, 19 for 0.95, 99 for 0.99.
func RadiusTrials(share float64) int {
	n := LeastRadiusTrials
	for radiusRank(n, share) > float64(n) {
		n++
	}
	return n
}

// Prediction is what is expected of one piece.
type Prediction struct {
	Reflectance []float64
	Lab         colorimetry.Lab
	Clamped     int // wavelengths at which less than no absorption came out, taken as none
}

// Predict gives the colour of a piece after both baths; p.Both is not looked at.
func (m *Method) Predict(p Piece, c Coefficients) (Prediction, error) {
	for _, curve := range p.alone() {
		if err := m.check(curve.name, curve.values); err != nil {
			return Prediction{}, err
		}
	}
	curve, clamped := m.surface.Mix(p, c)
	lab, err := m.weights.Lab(curve)
	return Prediction{Reflectance: curve, Lab: lab, Clamped: clamped}, err
}

// sorted checks every curve and sorts trials by id and the pieces of each by their curves, so that nothing depends on the order they came in.
func (m *Method) sorted(field string, trials []Trial) ([]Trial, error) {
	out := slices.Clone(trials)
	for i, t := range out {
		at := fmt.Sprintf("%s[%d]", field, i)
		if len(t.Pieces) == 0 {
			return nil, &colorimetry.FieldError{Field: at + ".pieces", Value: "empty", Allowed: "1 or more"}
		}
		for j, p := range t.Pieces {
			for _, curve := range append(p.alone(), named{"both", p.Both}) {
				if err := m.check(fmt.Sprintf("%s.pieces[%d].%s", at, j, curve.name), curve.values); err != nil {
					return nil, err
				}
			}
		}
		out[i].Pieces = slices.Clone(t.Pieces)
		slices.SortStableFunc(out[i].Pieces, func(a, b Piece) int {
			return cmp.Or(slices.Compare(a.Both, b.Both), slices.Compare(a.First, b.First), slices.Compare(a.Second, b.Second), slices.Compare(a.Substrate, b.Substrate))
		})
	}
	slices.SortFunc(out, func(a, b Trial) int { return cmp.Compare(a.ID, b.ID) })
	for i := 1; i < len(out); i++ {
		if out[i].ID == out[i-1].ID {
			return nil, &colorimetry.FieldError{Field: field, Value: "the id " + strconv.Quote(out[i].ID) + " twice", Allowed: "each once"}
		}
	}
	return out, nil
}

type named struct {
	name   string
	values []float64
}

func (p Piece) alone() []named {
	return []named{{"substrate", p.Substrate}, {"first", p.First}, {"second", p.Second}}
}

func (m *Method) check(field string, curve []float64) error {
	if len(curve) != m.weights.Len() {
		return &colorimetry.FieldError{Field: field, Value: fmt.Sprintf("%d figures", len(curve)), Allowed: fmt.Sprintf("%d, one for each wavelength", m.weights.Len())}
	}
	for i, r := range curve {
		if !(r >= 0 && r <= colorimetry.MaxReflectance) {
			return refuse(fmt.Sprintf("%s[%d]", field, i), r, "0 to 2")
		}
	}
	return nil
}
