// Package choice chooses mordants: from fibre, dyestuffs in their order, the shift that is wanted and what is in the store to ranked ways, each with
// its amounts, its place beside each bath, its reasons and sources, and to what was ruled out and why.
//
// What is known of mordants is data ([Facts]), with its sources; how baths stand to each other is code, rule by rule, each with its words.
// Where authorities contradict each other both ways are given, and the contradiction is told.
package choice

import (
	"bytes"
	_ "embed" // the facts that come with the module
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/plugins/sdk/naming"
)

// ErrFacts is wrapped by the errors of [ParseFacts].
var ErrFacts = errors.New("facts about mordants")

// FactsFaults is what is wrong with a table of facts, a line for each fault.
type FactsFaults []string

// Error implements error.
func (f FactsFaults) Error() string { return ErrFacts.Error() + ": " + strings.Join(f, "; ") }

// Unwrap gives [ErrFacts].
func (FactsFaults) Unwrap() error { return ErrFacts }

//go:embed facts.json
var builtIn []byte

// BuiltInText returns the text of the facts that come with the module.
func BuiltInText() []byte { return bytes.Clone(builtIn) }

// Facts is a table of what is known of mordants.
type Facts struct {
	Name    string `json:"name"`
	Version string `json:"version"`
	// Sources by key, in words.
	Sources map[string]string `json:"sources"`
	// Fibres by name: protein or cellulose.
	Fibres map[string]string `json:"fibres"`
	// Dyestuffs by name, with their class.
	Dyestuffs map[string]string `json:"dyestuffs"`
	// Also are other names, in lower case, by which a store or a refusal may tell the materials of options and modifiers.
	Also map[string]string `json:"also"`
	// Forms weigh otherwise than the materials of options and modifiers for the same substance, and don't stand for them.
	Forms []Form `json:"forms"`
	// MordantDyeClasses are those whose colour hangs on a metal.
	MordantDyeClasses []string   `json:"mordant_dye_classes"`
	Options           []Option   `json:"options"`
	Modifiers         []Modifier `json:"modifiers"`
}

// Option is a way to prepare a fibre for a class of dyestuff.
type Option struct {
	ID         string `json:"id"`
	FibreClass string `json:"fibre_class"`
	// Fibres of the class for which it holds; empty: all.
	Fibres     []string `json:"fibres"`
	DyeClasses []string `json:"dye_classes"`
	// Steps in their order; empty: no mordant.
	Steps []Material `json:"steps"`
	// ThreeBaths: the order of the steps is the point, whatever the rule about tannin says.
	ThreeBaths bool     `json:"three_baths"`
	Shifts     []string `json:"shifts"`
	Effect     string   `json:"effect"`
	Reason     string   `json:"reason"`
	Sources    []string `json:"sources"`
	Confidence string   `json:"confidence"`
}

// Material is one mordant with what goes into the same bath.
type Material struct {
	Material    string  `json:"material"`
	LowPercent  float64 `json:"low_percent"`
	HighPercent float64 `json:"high_percent"`
	// PerGramLow and PerGramHigh are grams for each gram of the material that it assists; 0: told by percent alone.
	PerGramLow  float64 `json:"per_gram_low"`
	PerGramHigh float64 `json:"per_gram_high"`
	// CeilingC of the bath; 0: that of the fibre.
	CeilingC float64    `json:"ceiling_c"`
	With     []Material `json:"with"`
}

// Form is a material with more or less water in it than Of, one of an option or a modifier.
type Form struct {
	// Name and Also are in lower case.
	Name string   `json:"name"`
	Also []string `json:"also"`
	Of   string   `json:"of"`
	// GramsLow and GramsHigh of it stand for one gram of Of; a range where the name doesn't say which form it is. Range: above 0 to 10, low to high.
	GramsLow  float64 `json:"grams_low"`
	GramsHigh float64 `json:"grams_high"`
	// ToldOnPacket is true of one that nobody sells under the bare name, so that amounts needn't tell how much of it they are.
	ToldOnPacket bool     `json:"told_on_packet"`
	Sources      []string `json:"sources"`
}

func (m Form) is(name string) bool { return m.Name == name || slices.Contains(m.Also, name) }

// Modifier goes on after the dye.
type Modifier struct {
	ID         string `json:"id"`
	FibreClass string `json:"fibre_class"`
	Material   string `json:"material"`
	// LowPercent and HighPercent are 0 where no amount is published.
	LowPercent  float64  `json:"low_percent"`
	HighPercent float64  `json:"high_percent"`
	Shifts      []string `json:"shifts"`
	Effect      string   `json:"effect"`
	Reason      string   `json:"reason"`
	Sources     []string `json:"sources"`
	Confidence  string   `json:"confidence"`
}

// Confidences in falling order.
var confidences = []string{"high", "medium", "low"}

// Shifts that can be asked for.
var shifts = []string{"brighter", "darker", "redder", "more orange", "greener", "bluer", "browner"}

// Shifts returns the shifts that can be asked for.
func Shifts() []string { return slices.Clone(shifts) }

// DyeClasses returns the classes of dyestuff that the facts know, sorted.
func (f *Facts) DyeClasses() []string {
	var all []string
	for _, o := range f.Options {
		all = append(all, o.DyeClasses...)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

const maxFacts = 1 << 20

// ParseFacts reads a table of facts and checks it whole: words that aren't known, figures out of range, sources that aren't listed and ids that
// stand twice are refused.
func ParseFacts(raw []byte) (*Facts, error) {
	if len(raw) > maxFacts {
		return nil, fmt.Errorf("%w: %d bytes, want at most %d", ErrFacts, len(raw), maxFacts)
	}
	decoder := json.NewDecoder(bytes.NewReader(raw))
	decoder.DisallowUnknownFields()
	f := &Facts{}
	if err := decoder.Decode(f); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrFacts, err)
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%w: something stands after the table", ErrFacts)
	}
	if faults := f.faults(); len(faults) > 0 {
		slices.Sort(faults)
		return nil, FactsFaults(faults)
	}
	for name, class := range maps.Clone(f.Dyestuffs) { // as they are looked up
		f.Dyestuffs[folded(name)] = class
	}
	return f, nil
}

// materials are those of all options and modifiers, folded.
func (f *Facts) materials() map[string]bool {
	all := map[string]bool{}
	for _, o := range f.Options {
		for _, s := range o.Steps {
			all[folded(s.Material)] = true
			for _, w := range s.With {
				all[folded(w.Material)] = true
			}
		}
	}
	for _, m := range f.Modifiers {
		all[folded(m.Material)] = true
	}
	return all
}

// spelling makes older and American spellings one, those of the valence of a metal, and apostrophes.
var spelling = strings.NewReplacer("sulph", "sulf", "uminum", "uminium", " (", "(", "\u2019", "'")

// folded is a name by which materials are told from each other, however they are written.
func folded(name string) string {
	return spelling.Replace(naming.Fold(name))
}

// named gives materials the names that the facts have for them, folded; nil stays nil.
func (f *Facts) named(list []string) []string {
	out := slices.Clone(list)
	for i, name := range list {
		if out[i] = folded(name); f.Also[out[i]] != "" {
			out[i] = folded(f.Also[out[i]])
		}
	}
	return out
}
