package columns

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
)

// Whatever a stream of two messages holds: a refusal, or rows that are sound.
func FuzzReceive(f *testing.F) {
	add := func(parts ...*request) {
		var bodies [2][]byte
		for i, part := range parts {
			bodies[i], _ = proto.Marshal(part)
		}
		f.Add(bodies[0], bodies[1])
	}
	add(head(goodHeader()), cols(goodColumns()))
	add(cols(goodColumns()), head(goodHeader()))
	add(head(goodHeader()))
	hurt := goodColumns()
	hurt.L[0], hurt.Group[1], hurt.Cell = math.NaN(), math.MaxUint32, hurt.Cell[:1]
	add(head(goodHeader()), cols(hurt))
	f.Fuzz(func(t *testing.T, first, second []byte) {
		var parts []*request
		for _, body := range [][]byte{first, second} {
			part := &request{}
			if proto.Unmarshal(body, part) != nil {
				return
			}
			parts = append(parts, part)
		}
		rows, err := receive(parts...)
		if err != nil {
			return
		}
		for _, row := range rows {
			for _, figure := range []float64{row.Lab.L, row.Lab.A, row.Lab.B} {
				require.False(t, math.IsNaN(figure) || math.IsInf(figure, 0))
			}
		}
	})
}
