package hostile

import "strings"

// SaidTwice finds a word of a refusal that stands twice before a colon, such as a field that is named by its fault and by the fault's text; "" if none does.
func SaidTwice(text string) string {
	parts := strings.Split(text, ": ")
	for i := 1; i < len(parts)-1; i++ {
		words := strings.Fields(parts[i-1])
		if len(words) > 0 && words[len(words)-1] == parts[i] {
			return parts[i]
		}
	}
	return ""
}
