package labv1

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// maxReason is the most of a reason that goes into the history, in bytes, where it is put together of several.
const maxReason = 500

// reasonOf finds why a change was asked for, where it was said: for the whole, or with the entries that correct others.
func reasonOf(request proto.Message) string {
	switch r := request.(type) {
	case interface{ GetReason() string }:
		return r.GetReason()
	case interface{ GetAbandonedReason() string }:
		return r.GetAbandonedReason()
	case *labpb.AddEntriesRequest:
		return joined(each(r.GetPieceCorrections(), (*labpb.PieceCorrection).GetReason), corrections(r.GetImmersions()), corrections(r.GetLooks()), corrections(r.GetReadings()),
			corrections(r.GetJudgements()))
	case *labpb.AddToBathRequest:
		return joined(corrections(r.GetAdditions()), corrections(r.GetChecks()))
	case *labpb.AddWaterSampleRequest:
		return r.GetSample().GetCorrects().GetReason()
	default:
		return ""
	}
}

func each[T any](list []T, of func(T) string) []string {
	texts := make([]string, 0, len(list))
	for _, one := range list {
		texts = append(texts, of(one))
	}
	return texts
}

func corrections[T interface{ GetCorrects() *typespb.Correction }](entries []T) []string {
	return each(entries, func(entry T) string { return entry.GetCorrects().GetReason() })
}

// joined puts reasons together, each once.
func joined(lists ...[]string) string {
	var all []string
	size := 0
	for _, text := range slices.Concat(lists...) {
		if text == "" || slices.Contains(all, text) {
			continue
		}
		if size += len(text) + len("; "); size > maxReason {
			if len(all) == 0 {
				return strings.ToValidUTF8(text[:min(len(text), maxReason)], "")
			}
			break
		}
		all = append(all, text)
	}
	return strings.Join(all, "; ")
}
