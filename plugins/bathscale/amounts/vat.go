package amounts

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// VatPart is one part of a vat, as a multiple of the indigo by mass.
type VatPart struct {
	Material string
	Parts    float64
}

// VatRecipe is a vat told by named parts. Recipes that are known by their figures alone are not: the same "1-2-3" is told of two vats.
type VatRecipe struct {
	Name string
	// Parts besides the indigo, which is 1.
	Parts []VatPart
	// Source of the parts.
	Source string
}

// Vats are the vats whose parts are published often enough to be offered; figures as dyers print them.
func Vats() []VatRecipe {
	return []VatRecipe{
		{Name: "fructose", Parts: []VatPart{{"calcium hydroxide", 2}, {"fructose", 3}}, Source: "craft tutorials on the indigo, lime and fruit sugar vat; common practice"},
		{Name: "iron", Parts: []VatPart{{"ferrous sulfate heptahydrate", 2}, {"calcium hydroxide", 3}}, Source: "suppliers' and craft tutorials on the indigo, iron and lime vat; common practice"},
	}
}

// Ambiguous is a name that several vats bear; the answer is a question, never a choice.
type Ambiguous struct {
	Name    string
	Recipes []VatRecipe
}

// Error implements error.
func (a *Ambiguous) Error() string {
	texts := make([]string, len(a.Recipes))
	for i, r := range a.Recipes {
		parts := []string{"indigo 1"}
		for _, p := range r.Parts {
			parts = append(parts, fmt.Sprintf("%s %g", p.Material, p.Parts))
		}
		texts[i] = fmt.Sprintf("%s (%s)", r.Name, strings.Join(parts, ", "))
	}
	return fmt.Sprintf("%q is told of several vats: which one, %s?", a.Name, strings.Join(texts, " or "))
}

// Vat finds a vat by its name, with or without "1-2-3", "indigo" and "vat" beside it. "1-2-3" and its spellings alone give an [*Ambiguous]. Other words aren't passed over, nor other numbers: "iron-free" is no iron, and "1-3-2" another recipe.
func Vat(name string) (VatRecipe, error) {
	vats := Vats()
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	words = slices.DeleteFunc(words, func(w string) bool { return w == "vat" || w == "indigo" })
	digits := ""
	rest := slices.DeleteFunc(slices.Clone(words), func(w string) bool {
		number := strings.Trim(w, "123") == ""
		if number {
			digits += w
		}
		return number
	})
	for _, v := range vats {
		if len(rest) == 1 && rest[0] == v.Name && (digits == "" || digits == "123") {
			return v, nil
		}
	}
	if digits == "123" && len(rest) == 0 {
		return VatRecipe{}, &Ambiguous{name, vats}
	}
	names := make([]string, len(vats))
	for i, v := range vats {
		names[i] = v.Name
	}
	slices.Sort(names)
	return VatRecipe{}, fmt.Errorf("%w: no vat is called %.60q; known: %s, or name the parts", ErrInput, name, strings.Join(names, ", "))
}

// Molar masses in g/mol, from the formulas and the IUPAC abridged atomic weights of 2021.
const (
	molarIndigotin       = 262.27
	molarFerrousSulfate7 = 278.01
)

// FerrousSulfateLeastG is what the reduction of indigotin asks for at least, in grams of the heptahydrate: two electrons for each molecule. Air takes
// more.
func FerrousSulfateLeastG(indigotinG float64) float64 {
	return 2 * molarFerrousSulfate7 / molarIndigotin * indigotinG
}
