package pool

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

// The dictionary finds what was added and not removed since, whatever part of their digests routes share. The second opinion is a plain map by whole digests.
func TestDictionaryTellsDigestsApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d, plain := newDictionary(), map[[32]byte]*route{}
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			var digest [32]byte
			digest[0], digest[31] = rapid.Byte().Draw(t, "start")%2, rapid.Byte().Draw(t, "end")%3
			if r := plain[digest]; r != nil && rapid.Bool().Draw(t, "remove") {
				d.remove(r)
				delete(plain, digest)
			} else if r == nil {
				plain[digest] = &route{digest: digest}
				d.add(plain[digest])
			}
			for start := range byte(2) {
				for end := range byte(3) {
					digest[0], digest[31] = start, end
					assert.Same(t, plain[digest], d.find(digest))
				}
			}
		}
	})
}
