package limits

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Settings describes what Set takes, for a help text.
const Settings = `read, write, import, question, watch, steward and failures = CALLS_A_SECOND/AT_ONCE; ` +
	`questions, questions-per-member, watches and watches-per-member = HOW_MANY`

// Set changes one bound, as in "read=200/1000" (calls a second in the long run, and at once) or "questions=2" (running at a time).
func (c *Config) Set(text string) error {
	name, value, ok := strings.Cut(text, "=")
	if !ok {
		return fmt.Errorf("limit %q is malformed; allowed: %s", text, Settings)
	}
	if count := map[string]*int{
		"questions": &c.Questions, "questions-per-member": &c.QuestionsPerMember, "watches": &c.Watches, "watches-per-member": &c.WatchesPerMember,
	}[name]; count != nil {
		n, err := strconv.Atoi(value)
		if err != nil || n < 1 || n > maxCount {
			return fmt.Errorf("limit %s: %q is out of range; allowed: a whole number from 1 to %d", name, value, maxCount)
		}
		*count = n
		return nil
	}
	for class := Read; class < classes; class++ {
		if class.String() == name {
			r, err := parseRate(value)
			if err != nil {
				return fmt.Errorf("limit %s: %w", name, err)
			}
			if c.Rates == nil {
				c.Rates = map[Class]Rate{}
			}
			c.Rates[class] = r
			return nil
		}
	}
	if name == "failures" {
		r, err := parseRate(value)
		if err != nil {
			return fmt.Errorf("limit %s: %w", name, err)
		}
		c.Failures = r
		return nil
	}
	return fmt.Errorf("limit %q is unknown; allowed: %s", name, Settings)
}

func parseRate(text string) (Rate, error) {
	perSecond, burst, ok := strings.Cut(text, "/")
	r := Rate{}
	var err, burstErr error
	r.PerSecond, err = strconv.ParseFloat(perSecond, 64)
	r.Burst, burstErr = strconv.Atoi(burst)
	if !ok || errors.Join(err, burstErr) != nil || math.IsNaN(r.PerSecond) || r.PerSecond <= 0 || r.PerSecond > maxPerSecond || r.Burst < 1 || r.Burst > maxBurst {
		return Rate{}, fmt.Errorf("%q is out of range; allowed: CALLS_A_SECOND/AT_ONCE, above 0 to %d a second and 1 to %d at once", text, maxPerSecond, maxBurst)
	}
	return r, nil
}
