package sdk

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
)

// Kinds of module, as Describe and the manifest spell them.
const (
	KindReading    = "reading"    // raw measurement to colour, depth, evenness
	KindDifference = "difference" // two colours to one difference
	KindPalette    = "palette"    // labelled, blocked groups to widths
	KindCompare    = "compare"    // groups and blocks to a verdict
	KindBathscale  = "bathscale"  // fibre and recipes to amounts, waters and schedules
	KindMordant    = "mordant"    // fibre and dyestuffs in their order to mordants
	KindSafety     = "safety"     // steps of a plan to what is dangerous in them
	KindOverdye    = "overdye"    // trials of two baths and a first colour to what a second bath would do to it
)

// NeedsData is the type of a google.rpc.PreconditionFailure violation by which a module says that it doesn't hold data that a call names; the subject is
// the digest (see commonvat.module.data.v1).
const NeedsData = "NEEDS_DATA"

// Kinds returns every kind: first those through which a reading flows, then those through which a plan does, each in that order.
func Kinds() []string {
	return []string{KindReading, KindDifference, KindPalette, KindCompare, KindOverdye, KindMordant, KindBathscale, KindSafety}
}

var (
	nameForm      = regexp.MustCompile(`^[a-z][a-z0-9]*(-[a-z0-9]+)*$`)
	parameterForm = regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*$`)
	// Semantic Versioning 2.0.0, section "Backus-Naur form", without a leading "v".
	versionForm = regexp.MustCompile(`^(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)` +
		`(-(0|[1-9]\d*|\d*[A-Za-z-][0-9A-Za-z-]*)(\.(0|[1-9]\d*|\d*[A-Za-z-][0-9A-Za-z-]*))*)?` +
		`(\+[0-9A-Za-z-]+(\.[0-9A-Za-z-]+)*)?$`)
	contractForm = regexp.MustCompile(`^[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)*\.v[1-9][0-9]*$`)
)

const (
	maxNameLength    = 40
	maxVersionLength = 64
	maxSummaryLength = 500
)

// CheckIdentity reports every fault in name, version and kind, the three words by which a module is known.
func CheckIdentity(name, version, kind string) error {
	var errs []error
	switch {
	case len(name) > maxNameLength:
		errs = append(errs, fmt.Errorf("name has %d characters, at most %d are allowed", len(name), maxNameLength))
	case !nameForm.MatchString(name):
		errs = append(errs, fmt.Errorf("name is %q, want lower-case letters, digits and single hyphens, beginning with a letter", name))
	case slices.Contains(Kinds(), name):
		errs = append(errs, fmt.Errorf("name is %q, which is the word of a kind", name))
	}
	if len(version) > maxVersionLength || !versionForm.MatchString(version) {
		errs = append(errs, fmt.Errorf("version is %.80q, want a semantic version such as 1.2.0", version))
	}
	if !slices.Contains(Kinds(), kind) {
		errs = append(errs, fmt.Errorf("kind is %.80q, want one of %s", kind, strings.Join(Kinds(), ", ")))
	}
	return errors.Join(errs...)
}

// ContractVersion is the version of a contract of a kind: 1 of "commonvat.module.palette.v1" for palette. It is 0 of whatever is none of that kind. Versions
// are compared as numbers: 10 is later than 9.
func ContractVersion(kind, contract string) int {
	digits, ok := strings.CutPrefix(contract, "commonvat.module."+kind+".v")
	if !ok || !contractForm.MatchString(contract) {
		return 0
	}
	n, err := strconv.Atoi(digits)
	switch {
	case errors.Is(err, strconv.ErrRange):
		return math.MaxInt // later than any that there is
	case err != nil:
		return 0
	}
	return n
}

// CheckDescription reports every fault in d by the rules of describe.proto.
func CheckDescription(d *describev1.DescribeResponse) error {
	if d == nil {
		return errors.New("description is missing")
	}
	errs := []error{CheckIdentity(d.GetName(), d.GetVersion(), d.GetKind())}
	if len(d.GetContracts()) == 0 {
		errs = append(errs, errors.New("contracts are empty, want at least one such as commonvat.module.palette.v1"))
	}
	ofKind := false
	for i, c := range d.GetContracts() {
		if !contractForm.MatchString(c) {
			errs = append(errs, fmt.Errorf("contracts[%d] is %q, want a package such as commonvat.module.palette.v1", i, c))
		}
		ofKind = ofKind || ContractVersion(d.GetKind(), c) > 0
	}
	if len(d.GetContracts()) > 0 && !ofKind {
		errs = append(errs, fmt.Errorf("contracts hold none of kind %q, want commonvat.module.%s.v1 or later", d.GetKind(), d.GetKind()))
	}
	if n := len(d.GetSummary()); n == 0 || n > maxSummaryLength {
		errs = append(errs, fmt.Errorf("summary has %d bytes, want 1 to %d", n, maxSummaryLength))
	}
	for i, s := range d.GetSources() {
		if s.GetCitation() == "" {
			errs = append(errs, fmt.Errorf("sources[%d].citation is empty", i))
		}
	}
	seen := map[string]bool{}
	for i, p := range d.GetParameters() {
		if seen[p.GetName()] {
			errs = append(errs, fmt.Errorf("parameters[%d].name %q appears twice", i, p.GetName()))
		}
		seen[p.GetName()] = true
		if err := checkParameter(p); err != nil {
			errs = append(errs, fmt.Errorf("parameters[%d] %q: %w", i, p.GetName(), err))
		}
	}
	if d.GetAuthor() == "" {
		errs = append(errs, errors.New("author is empty"))
	}
	errs = append(errs, checkScores(d), checkColumns(d), checkLaws(d), checkQuestions(d))
	return errors.Join(errs...)
}

func checkParameter(p *describev1.Parameter) error {
	if !parameterForm.MatchString(p.GetName()) {
		return errors.New("name wants lower-case letters, digits and underscores, beginning with a letter")
	}
	if p.GetSummary() == "" {
		return errors.New("summary is empty")
	}
	switch v := p.GetValue().(type) {
	case *describev1.Parameter_Number:
		return checkNumber(v.Number)
	case *describev1.Parameter_Choice:
		return checkChoice(v.Choice)
	default:
		return errors.New("value is missing, want number or choice")
	}
}

func checkNumber(n *describev1.NumberParameter) error {
	if n.GetUnit() == "" {
		return errors.New(`unit is empty, want "1" for a number without one`)
	}
	low, high := math.Inf(-1), math.Inf(1)
	if n.Minimum != nil {
		low = n.GetMinimum()
	}
	if n.Maximum != nil {
		high = n.GetMaximum()
	}
	def := n.GetDefaultValue()
	if math.IsNaN(low) || math.IsNaN(high) || low > high {
		return fmt.Errorf("minimum %v and maximum %v are no range", low, high)
	}
	if math.IsInf(def, 0) || !(def >= low && def <= high) {
		return fmt.Errorf("default_value is %v, want a finite number within %v and %v", def, low, high)
	}
	if n.GetWhole() && def != math.Trunc(def) {
		return fmt.Errorf("default_value is %v, want a whole number", def)
	}
	return nil
}

func checkChoice(c *describev1.ChoiceParameter) error {
	if len(c.GetChoices()) == 0 {
		return errors.New("choices are empty")
	}
	for i, w := range c.GetChoices() {
		if w == "" || slices.Contains(c.GetChoices()[:i], w) {
			return fmt.Errorf("choices[%d] is %q, want words that are not empty and not alike", i, w)
		}
	}
	if !slices.Contains(c.GetChoices(), c.GetDefaultValue()) {
		return fmt.Errorf("default_value is %q, want one of %s", c.GetDefaultValue(), strings.Join(c.GetChoices(), ", "))
	}
	return nil
}
