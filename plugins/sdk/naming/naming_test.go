package naming_test

import (
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/assert"

	"github.com/commonvat/commonvat/plugins/sdk/naming"
)

func TestNamesThatAreOne(t *testing.T) {
	for one, others := range map[string][]string{
		"grüner topf":   {"Grüner Topf", "gru\u0308ner topf", " GRU\u0308NER  TOPF ", "grüner\u00a0topf", "grü\u00adner topf", "grüner\u200b topf"},
		"\u00e5":        {"\u212b", "\u00c5", "A\u030a"},                   // Unicode Standard Annex #15, figure 3: Ångström sign, letter, letter and ring
		"fi2":           {"\ufb01\u00b2", "\ufb01\u2082"},                  // Annex #15, figure 6: ligature and raised digit have compatible forms
		"alaun":         {"\uff21\uff2c\uff21\uff35\uff2e", "Alaun\ufe0f"}, // full width forms; a variation selector
		"strasse":       {"straße", "STRASSE", "STRA\u1e9eE"},              // CaseFolding.txt: 00DF; F; 0073 0073
		"\u03c3s":       {"\u03a3\u017f", "\u03c2S"},                       // CaseFolding.txt: 03C2; C; 03C3 and 017F; C; 0073
		"iron(ii) salt": {"Iron(\u2161) Salt", "iron(\u2171)\u3000salt"},   // Roman numerals, and the space of full width
	} {
		for _, other := range others {
			assert.Equal(t, naming.Fold(one), naming.Fold(other), "%q and %q", one, other)
		}
	}
	for _, two := range [][2]string{{"pot", "pot 1"}, {"topf", "töpf"}, {"iron", "irons"}, {"pot 1", "pot1"}, {"ferrous", "ferric"}, {"", "\u200b"}, {"\u200b", "\u00ad"}} {
		assert.NotEqual(t, naming.Fold(two[0]), naming.Fold(two[1]))
	}
}

// What is folded is folded: no letter of Unicode, before or after another, gives something else the second time.
func TestFoldingTwiceIsFoldingOnce(t *testing.T) {
	for r := rune(1); r <= unicode.MaxRune; r++ {
		if r >= 0xD800 && r <= 0xDFFF {
			continue
		}
		once := naming.Fold("a" + string(r) + "z")
		if r < 0x80 && naming.Fold("ä"+string(r)+"Ä") != strings.TrimSpace("ä"+strings.ToLower(string(r))+"ä") && !unicode.IsSpace(r) {
			t.Fatalf("U+%04X is folded otherwise among other letters", r)
		}
		if again := naming.Fold(once); again != once {
			t.Fatalf("U+%04X: %q, then %q", r, once, again)
		}
	}
}
