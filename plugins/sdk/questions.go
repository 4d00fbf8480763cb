package sdk

import (
	"errors"
	"fmt"
	"unicode/utf8"

	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
)

// Limits of describe.proto.
const (
	maxQuestions    = 32
	maxAsksLength   = 200
	maxMethodLength = 500
)

// checkQuestions reports every fault in the questions that a module says it answers.
func checkQuestions(d *describev1.DescribeResponse) error {
	var errs []error
	if n := len(d.GetQuestions()); n > maxQuestions {
		errs = append(errs, fmt.Errorf("questions has %d, want at most %d", n, maxQuestions))
	}
	for i, q := range d.GetQuestions() {
		text := func(field, value string, most int) {
			if n := utf8.RuneCountInString(value); n == 0 || n > most {
				errs = append(errs, fmt.Errorf("questions[%d].%s has %d characters, want 1 to %d", i, field, n, most))
			}
		}
		text("asks", q.GetAsks(), maxAsksLength)
		text("call", q.GetCall(), maxNameLength)
		text("method", q.GetMethod(), maxMethodLength)
		text("multiplicity", q.GetMultiplicity(), maxMethodLength)
		if len(q.GetSources()) == 0 {
			errs = append(errs, fmt.Errorf("questions[%d].sources are empty, want at least one", i))
		}
		for k, s := range q.GetSources() {
			if int(s) >= len(d.GetSources()) {
				errs = append(errs, fmt.Errorf("questions[%d].sources[%d] is %d, want a place in %d sources, from 0 on", i, k, s, len(d.GetSources())))
			}
		}
	}
	return errors.Join(errs...)
}
