package validate

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/services/internal/api/validate/hostile"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Of the good messages of every request at least a third pass, so that what is tried with them gets past the validator; and of the
// hostile ones every request refuses some.
func TestMadeMessagesAreNearlyRight(t *testing.T) {
	for i, request := range requests() {
		made := hostile.New(1, uint64(i), hostile.Known{})
		passed, refused, last := 0, 0, error(nil)
		const n = 300
		for range n {
			if err := Message(made.Good(request)); err == nil {
				passed++
			} else {
				last = err
			}
			hurt := made.Hostile(request)
			if Message(hurt) != nil {
				judge(t, hurt)
				refused++
			}
		}
		assert.GreaterOrEqual(t, passed, n/3, "%s: %v", request.FullName(), last)
		assert.Positive(t, refused, "%s", request.FullName())
	}
}

func TestSaidTwice(t *testing.T) {
	for text, want := range map[string]string{
		"mass: mass: -1 is out of range": "mass", "the core can't take it: a.b[1]: a.b[1]: is empty": "a.b[1]", "mass: is -1": "", "mass: the mass: is -1": "", "": "", "a: b: a: c": "",
	} {
		assert.Equal(t, want, hostile.SaidTwice(text), text)
	}
}

// Every request of the interface, nearly right, through its validator: the answer is a list of faults with a field and a text
// each, bounded, the same for the same bytes, and never a panic. What was read from the wire is judged alike.
func FuzzEveryRequest(f *testing.F) {
	all := requests()
	for i := range all {
		f.Add(uint16(i), uint64(i)*31, []byte{})
		f.Add(uint16(i), uint64(i)*31+1, []byte{0x0a, 0x00})
	}
	f.Add(uint16(0), uint64(7), []byte{0xff, 0xff, 0xff})
	f.Fuzz(func(t *testing.T, which uint16, seed uint64, tail []byte) {
		request := all[int(which)%len(all)]
		made := hostile.New(seed, uint64(which), hostile.Known{Members: []string{"ada", "bo"}})
		judge(t, made.Hostile(request))
		for _, body := range [][]byte{append(made.Wire(request, 1<<20), tail...), append(made.Broken(request), tail...), append(made.Noise(), tail...)} {
			message := dynamic(request)
			if proto.Unmarshal(body, message) == nil {
				judge(t, message)
			}
		}
	})
}

func judge(t *testing.T, message proto.Message) {
	t.Helper()
	err := Message(message)
	if err == nil {
		return
	}
	var faults trial.Faults
	require.True(t, errors.As(err, &faults), "%T", err)
	require.LessOrEqual(t, len(faults), maxFaults+1)
	for _, fault := range faults {
		require.NotEmpty(t, fault.Text)
		require.Empty(t, hostile.SaidTwice(fault.Error()), "%.200s", fault.Error())
		require.Less(t, len(fault.Text)+len(fault.Field), 2000, "a fault repeats what was sent: %.200s", fault.Text)
	}
	require.Equal(t, err.Error(), Message(message).Error())
}
