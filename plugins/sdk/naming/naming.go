// Package naming tells whether two names that people wrote are one: of a vessel, of a material. A pot under two spellings would forget its metal under one of them, and a hazard of a
// material would pass under a letter that is encoded otherwise. Letters of other scripts that look alike are other letters.
package naming

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// Fold is what a name is told from others by: without regard to case, to how an accent is encoded, to compatible forms such as full width letters, ligatures and raised digits, to characters
// that aren't seen, and to how much space is in it. Source: the Unicode Standard, section 3.13, NFKC_Casefold (D146 and the mapping before it), with spaces besides. A name in which nothing is seen stays as it is. It is never shown.
func Fold(name string) string {
	if isASCII(name) { // most names are, and nothing but case and space is in them
		return strings.Join(strings.Fields(strings.ToLower(name)), " ")
	}
	seen := strings.Map(func(r rune) rune {
		if unicode.Is(unicode.Cf, r) || unicode.Is(unicode.Variation_Selector, r) { // soft hyphens, joiners, marks of direction
			return -1
		}
		return r
	}, name)
	folded := cases.Fold().String(norm.NFKC.String(seen))
	folded = strings.ToLower(strings.ToUpper(folded)) // Cherokee letters, which cases.Fold gives each other's case
	if folded = strings.Join(strings.Fields(norm.NFKC.String(folded)), " "); folded == "" {
		return strings.TrimSpace(name)
	}
	return folded
}

func isASCII(text string) bool {
	for i := range len(text) {
		if text[i] >= utf8.RuneSelf {
			return false
		}
	}
	return true
}
