package api

import (
	"fmt"
	"slices"
	"strings"
)

func moreFaults(n int) string { return fmt.Sprintf("and %d more faults, not listed here", n) }

// cut bounds a text that goes into a header, without leaving half a character.
func cut(text string, most int) string {
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + "..."
}

// alike makes what is hidden and what isn't there read the same, whichever layer noticed and how often it was wrapped:
// `trial 1: trial "1": not found` and `trial 1: not found` are one.
func alike(text string) string {
	return strings.Join(slices.Compact(strings.Split(strings.ReplaceAll(text, `"`, ""), ": ")), ": ")
}
