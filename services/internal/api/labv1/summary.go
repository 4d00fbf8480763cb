package labv1

import (
	"fmt"
	"math"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The field numbers of commonvat.lab.v1.Trial that are counted, and not decoded.
const (
	sessionsField  = 8
	piecesField    = 9
	immersionsFld  = 10
	looksField     = 11
	readingsField  = 12
	warningsField  = 17
	judgementsFld  = 20
	supersededInIt = 11 // of Reading
)

// summarise makes a summary of an encoded trial without decoding its entries, of which an import
// may have thousands.
func summarise(body []byte, revision int64) (*labpb.TrialSummary, error) {
	var head []byte
	var sessions, pieces, readings int
	for rest := body; len(rest) > 0; {
		number, kind, tagLength := protowire.ConsumeTag(rest)
		if tagLength < 0 {
			return nil, fmt.Errorf("stored trial: %w", protowire.ParseError(tagLength))
		}
		length := protowire.ConsumeFieldValue(number, kind, rest[tagLength:])
		if length < 0 {
			return nil, fmt.Errorf("stored trial: %w", protowire.ParseError(length))
		}
		switch number {
		case sessionsField:
			sessions++
		case piecesField:
			pieces++
		case readingsField:
			entry, _ := protowire.ConsumeBytes(rest[tagLength:])
			if !superseded(entry) {
				readings++
			}
		case immersionsFld, looksField, warningsField, judgementsFld:
		default:
			head = append(head, rest[:tagLength+length]...)
		}
		rest = rest[tagLength+length:]
	}
	one := &labpb.Trial{}
	if err := proto.Unmarshal(head, one); err != nil {
		return nil, fmt.Errorf("stored trial: %w", err)
	}
	return &labpb.TrialSummary{
		Id: one.GetId(), Owner: one.GetOwner(), Title: one.GetTitle(), State: one.GetState(), Sharing: one.GetSharing(),
		ImportSource: one.GetImportSource(), SessionCount: count(sessions), PieceCount: count(pieces), ReadingCount: count(readings),
		UpdateTime: one.GetUpdateTime(), Revision: one.GetRevision(), Etag: trial.Etag(revision), DeleteTime: one.GetDeleteTime(),
	}, nil
}

// superseded looks for the flag in an encoded reading.
func superseded(reading []byte) bool {
	for len(reading) > 0 {
		number, kind, tagLength := protowire.ConsumeTag(reading)
		if tagLength < 0 {
			return false
		}
		length := protowire.ConsumeFieldValue(number, kind, reading[tagLength:])
		if length < 0 {
			return false
		}
		if number == supersededInIt && kind == protowire.VarintType {
			value, _ := protowire.ConsumeVarint(reading[tagLength:])
			return value != 0
		}
		reading = reading[tagLength+length:]
	}
	return false
}

func count(n int) int32 { return int32(min(n, math.MaxInt32)) }
