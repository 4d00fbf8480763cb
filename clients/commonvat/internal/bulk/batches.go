package bulk

import (
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// Limits of one request; the core refuses more than 500 rows.
const (
	maxBatchRows  = 500
	maxBatchBytes = 3 << 20
)

type enumeration = protoreflect.Enum

// Batches cuts rows into requests that the core takes: at most 500 rows and about 3 MiB each, in
// order. Rows of one piece that would fall into two requests are no problem: keys tie them together.
func Batches(rows []*labv1.ImportRow) [][]*labv1.ImportRow {
	var out [][]*labv1.ImportRow
	begin, size := 0, 0
	for i, r := range rows {
		s := proto.Size(r) + 8
		if i > begin && (i-begin >= maxBatchRows || size+s > maxBatchBytes) {
			out = append(out, rows[begin:i])
			begin, size = i, 0
		}
		size += s
	}
	if begin < len(rows) {
		out = append(out, rows[begin:])
	}
	return out
}
