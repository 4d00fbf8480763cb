package sdk

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
)

// Limits of describe.proto.
const (
	maxScores     = 32
	maxLeastCells = 1000
	maxTolerance  = 0.01
)

// namingPalette is a palette contract in which a module names its own scores: any version but the first.
var namingPalette = regexp.MustCompile(`^commonvat\.module\.palette\.v([2-9]|[1-9][0-9]+)$`)

// lawsOf are the laws that make sense for each kind.
var lawsOf = map[string][]describev1.Law{
	KindReading: {describev1.Law_LAW_ORDER_FREE, describev1.Law_LAW_UNKNOWN_NEVER_CLEARS},
	KindDifference: {describev1.Law_LAW_IDENTITY, describev1.Law_LAW_SYMMETRY, describev1.Law_LAW_SHIFT_INVARIANT, describev1.Law_LAW_LINEAR,
		describev1.Law_LAW_ORDER_FREE},
	KindPalette: {describev1.Law_LAW_MONOTONE, describev1.Law_LAW_SHIFT_INVARIANT, describev1.Law_LAW_LINEAR, describev1.Law_LAW_ORDER_FREE,
		describev1.Law_LAW_REPLICATION_FREE},
	KindMordant:   {describev1.Law_LAW_ORDER_FREE, describev1.Law_LAW_REFUSED_NEVER_CHOSEN, describev1.Law_LAW_UNKNOWN_IS_ASKED},
	KindBathscale: {describev1.Law_LAW_LINEAR, describev1.Law_LAW_ORDER_FREE},
	KindSafety:    {describev1.Law_LAW_UNKNOWN_NEVER_CLEARS, describev1.Law_LAW_ORDER_FREE},
	KindOverdye:   {describev1.Law_LAW_ORDER_FREE, describev1.Law_LAW_REPLICATION_FREE},
	KindCompare: {describev1.Law_LAW_SYMMETRY, describev1.Law_LAW_SHIFT_INVARIANT, describev1.Law_LAW_LINEAR, describev1.Law_LAW_ORDER_FREE,
		describev1.Law_LAW_REPLICATION_FREE},
}

func namesScores(d *describev1.DescribeResponse) bool {
	return d.GetKind() == KindPalette && slices.ContainsFunc(d.GetContracts(), namingPalette.MatchString)
}

func checkScores(d *describev1.DescribeResponse) error {
	var errs []error
	switch n := len(d.GetScores()); {
	case n > maxScores:
		errs = append(errs, fmt.Errorf("scores has %d, want at most %d", n, maxScores))
	case n > 0 && !namesScores(d):
		errs = append(errs, errors.New("scores are given, which only a module that serves commonvat.module.palette.v2 or later has"))
	case n == 0 && namesScores(d):
		errs = append(errs, errors.New("scores are empty, want at least one for commonvat.module.palette.v2"))
	}
	seen := map[string]bool{}
	for i, s := range d.GetScores() {
		bad := func(format string, args ...any) {
			errs = append(errs, fmt.Errorf("scores[%d] %.60q: %w", i, s.GetName(), fmt.Errorf(format, args...)))
		}
		if !parameterForm.MatchString(s.GetName()) {
			bad("name wants lower-case letters, digits and underscores, beginning with a letter")
		}
		if seen[s.GetName()] {
			bad("name appears twice")
		}
		seen[s.GetName()] = true
		if s.GetSummary() == "" {
			bad("summary is empty")
		}
		if s.GetUnit() == "" {
			bad(`unit is empty, want "1" for a number without one`)
		}
		if c := s.GetLeastCells(); c < 1 || c > maxLeastCells {
			bad("least_cells is %d, want 1 to %d", c, maxLeastCells)
		}
	}
	return errors.Join(errs...)
}

func checkColumns(d *describev1.DescribeResponse) error {
	var errs []error
	if len(d.GetExtraColumns()) > 0 && !namesScores(d) {
		errs = append(errs, errors.New("extra_columns are given, which only a module that serves commonvat.module.palette.v2 or later gets"))
	}
	for i, c := range d.GetExtraColumns() {
		switch {
		case c != describev1.ExtraColumn_EXTRA_COLUMN_AGE_DAYS && c != describev1.ExtraColumn_EXTRA_COLUMN_SPECTRUM:
			errs = append(errs, fmt.Errorf("extra_columns[%d] is %v, want EXTRA_COLUMN_AGE_DAYS or EXTRA_COLUMN_SPECTRUM", i, c))
		case slices.Contains(d.GetExtraColumns()[:i], c):
			errs = append(errs, fmt.Errorf("extra_columns[%d] is %v, which is asked for before", i, c))
		}
	}
	return errors.Join(errs...)
}

func checkLaws(d *describev1.DescribeResponse) error {
	var errs []error
	promised := map[describev1.Law]map[string]bool{} // what is promised or excepted, of each law
	check := func(where string, law describev1.Law, of []string) {
		if allowed := lawsOf[d.GetKind()]; !slices.Contains(allowed, law) {
			names := make([]string, len(allowed))
			for i, l := range allowed {
				names[i] = l.String()
			}
			errs = append(errs, fmt.Errorf("%s.law is %v, want one that a module of kind %q may keep: %s", where, law, d.GetKind(), strings.Join(names, ", ")))
		}
		if promised[law] == nil {
			promised[law] = map[string]bool{}
		}
		known := itemNames(d)
		if len(of) == 0 {
			of = []string{""}
			if len(promised[law]) > 0 {
				errs = append(errs, fmt.Errorf("%s is for everything, but %v is spoken of before", where, law))
			}
		} else if promised[law][""] {
			errs = append(errs, fmt.Errorf("%s: %v is spoken of before for everything", where, law))
		}
		for i, item := range of {
			if item != "" && known != nil && !slices.Contains(known, item) {
				errs = append(errs, fmt.Errorf("%s.of[%d] is %.60q, want one of %s", where, i, item, strings.Join(known, ", ")))
			}
			if item != "" && promised[law][item] {
				errs = append(errs, fmt.Errorf("%s.of[%d] is %.60q, of which %v is spoken before", where, i, item, law))
			}
			promised[law][item] = true
		}
	}
	for i, p := range d.GetLaws() {
		where := fmt.Sprintf("laws[%d]", i)
		check(where, p.GetLaw(), p.GetOf())
		if t := p.GetRelativeTolerance(); !(t >= 0 && t <= maxTolerance) {
			errs = append(errs, fmt.Errorf("%s.relative_tolerance is %v, want 0 to %v", where, t, maxTolerance))
		}
	}
	for i, e := range d.GetLawExceptions() {
		where := fmt.Sprintf("law_exceptions[%d]", i)
		check(where, e.GetLaw(), e.GetOf())
		if strings.TrimSpace(e.GetReason()) == "" {
			errs = append(errs, fmt.Errorf("%s.reason is empty, want a sentence", where))
		}
	}
	return errors.Join(errs...)
}

// itemNames are the scores or formulas that a law may be of; nil when the description doesn't name them. A palette module that serves the first version too has
// figures there that the contract names.
func itemNames(d *describev1.DescribeResponse) []string {
	switch d.GetKind() {
	case KindPalette:
		if slices.Contains(d.GetContracts(), "commonvat.module.palette.v1") {
			return nil
		}
		var out []string
		for _, s := range d.GetScores() {
			out = append(out, s.GetName())
		}
		return out
	case KindDifference:
		for _, p := range d.GetParameters() {
			if p.GetName() == "formula" {
				return p.GetChoice().GetChoices()
			}
		}
	}
	return nil
}
