package conformance

import (
	"github.com/commonvat/commonvat/plugins/sdk"
)

// TriedLaws are the laws of which the suite has a trial, as "contract law name".
func TriedLaws() (out []string) {
	for _, kind := range sdk.Kinds() {
		for _, c := range suites(kind) {
			for law := range c.laws {
				out = append(out, c.name+" law "+lawName(law))
			}
		}
	}
	return out
}
