package api

import (
	"fmt"
	"regexp"
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

// alike makes refusals for what the caller may not see and for what doesn't exist read the same, whichever layer noticed and however often
// the error was wrapped:
// `trial 1: trial "1": not found` and `trial 1: not found` are one.
func alike(text string) string {
	return strings.Join(slices.Compact(strings.Split(strings.ReplaceAll(text, `"`, ""), ": ")), ": ")
}

// tokenLike finds what looks like a token of ours, or the beginning of one: people paste them into wrong fields.
var tokenLike = regexp.MustCompile(`(?i)cvat_[a-z0-9_]+`)

// withoutTokens removes what looks like a token: answers and logs are passed on, and read by others than its member.
func withoutTokens(text string) string { return tokenLike.ReplaceAllString(text, "[a token]") }
