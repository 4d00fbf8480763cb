package catalog

import (
	"cmp"
	"strings"
)

// compareVersions orders two semantic versions by precedence (Semantic Versioning 2.0.0, item 11). Build metadata does not
// count. Both must have the form that sdk.CheckIdentity demands.
func compareVersions(a, b string) int {
	a, _, _ = strings.Cut(a, "+")
	b, _, _ = strings.Cut(b, "+")
	a, preA, hasA := strings.Cut(a, "-")
	b, preB, hasB := strings.Cut(b, "-")
	if c := compareParts(a, b); c != 0 {
		return c
	}
	switch {
	case hasA && !hasB:
		return -1
	case !hasA && hasB:
		return 1
	}
	return compareParts(preA, preB)
}

func compareParts(a, b string) int {
	as, bs := strings.Split(a, "."), strings.Split(b, ".")
	for i := range min(len(as), len(bs)) {
		if c := comparePart(as[i], bs[i]); c != 0 {
			return c
		}
	}
	return cmp.Compare(len(as), len(bs))
}

// comparePart orders numbers by value (without leading zeros the longer is the larger), words by bytes, numbers first.
func comparePart(a, b string) int {
	numA, numB := isNumber(a), isNumber(b)
	switch {
	case numA && numB:
		if c := cmp.Compare(len(a), len(b)); c != 0 {
			return c
		}
		return cmp.Compare(a, b)
	case numA:
		return -1
	case numB:
		return 1
	}
	return cmp.Compare(a, b)
}

func isNumber(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}
