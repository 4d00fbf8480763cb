package plugintest

import (
	"fmt"
	"os"
	"testing"
	"time"

	"go.uber.org/goleak"
)

// Patience is how long a test waits for what must come, such as the start of a process: it ends a test that hangs, and measures nothing, on a machine however busy.
const Patience = 2 * time.Minute

// RunWithoutLeaks is the body of a TestMain: it runs the tests, and ends the program with a fault when a goroutine of theirs is left. What is about to end may take
// its time for that; goleak itself waits half a second, which is not much on a busy machine.
func RunWithoutLeaks(m *testing.M, options ...goleak.Option) {
	code := m.Run()
	if code == 0 {
		err := goleak.Find(options...)
		for until := time.Now().Add(Patience); err != nil && time.Now().Before(until); {
			err = goleak.Find(options...)
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	os.Exit(code)
}
