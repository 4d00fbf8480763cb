// Package record carries the domain's types to the messages of
// commonvat.lab.v1 and back, and to the bytes that the store keeps.
//
// The way there and back loses nothing, of either side; what a message says
// wrongly (an enum number of no meaning, a missing part) is carried as it
// stands, for validation to refuse. Nothing here judges. Absent messages become
// zero values and zero values absent messages.
package record

import (
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// encode is deterministic, so that equal records are equal bytes.
func encode(kind string, message proto.Message) ([]byte, error) {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(message)
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", kind, err)
	}
	return body, nil
}

func decode(kind string, body []byte, message proto.Message) error {
	if err := proto.Unmarshal(body, message); err != nil {
		return fmt.Errorf("decode %s: %w", kind, err)
	}
	return nil
}

// EncodeTrial gives the bytes of a commonvat.lab.v1.Trial. It fails only on
// text that isn't UTF-8.
func EncodeTrial(t *trial.Trial) ([]byte, error) {
	return encode("trial", TrialToProto(t))
}

// DecodeTrial reads what EncodeTrial wrote. It fails on bytes that are no such message.
func DecodeTrial(body []byte) (*trial.Trial, error) {
	message := &labv1.Trial{}
	if err := decode("trial", body, message); err != nil {
		return nil, err
	}
	return TrialFromProto(message), nil
}

// EncodeBath gives the bytes of a commonvat.lab.v1.Bath.
func EncodeBath(b *trial.Bath) ([]byte, error) {
	return encode("bath", BathToProto(b))
}

// DecodeBath reads what EncodeBath wrote.
func DecodeBath(body []byte) (*trial.Bath, error) {
	message := &labv1.Bath{}
	if err := decode("bath", body, message); err != nil {
		return nil, err
	}
	return BathFromProto(message), nil
}

// EncodeWaterSource gives the bytes of a commonvat.lab.v1.WaterSource, its place included.
func EncodeWaterSource(w *trial.WaterSource) ([]byte, error) {
	return encode("water source", WaterSourceToProto(w))
}

// DecodeWaterSource reads what EncodeWaterSource wrote.
func DecodeWaterSource(body []byte) (*trial.WaterSource, error) {
	message := &labv1.WaterSource{}
	if err := decode("water source", body, message); err != nil {
		return nil, err
	}
	return WaterSourceFromProto(message), nil
}

// EncodeExperiment gives the bytes of a commonvat.lab.v1.Experiment.
func EncodeExperiment(e *trial.Experiment) ([]byte, error) {
	return encode("experiment", ExperimentToProto(e))
}

// DecodeExperiment reads what EncodeExperiment wrote.
func DecodeExperiment(body []byte) (*trial.Experiment, error) {
	message := &labv1.Experiment{}
	if err := decode("experiment", body, message); err != nil {
		return nil, err
	}
	return ExperimentFromProto(message), nil
}

// each converts a slice; none stays none.
func each[From, To any](from []From, convert func(From) To) []To {
	if len(from) == 0 {
		return nil
	}
	to := make([]To, len(from))
	for i, one := range from {
		to[i] = convert(one)
	}
	return to
}

// byRef lets a conversion that takes a pointer be used with each.
func byRef[From, To any](convert func(*From) To) func(From) To {
	return func(one From) To { return convert(&one) }
}

// byValue lets a conversion that returns a pointer be used with each.
func byValue[From, To any](convert func(From) *To) func(From) To {
	return func(one From) To { return *convert(one) }
}

// int32Of keeps absurd figures absurd instead of letting them wrap round.
func int32Of(n int) int32 {
	return int32(min(max(n, math.MinInt32), math.MaxInt32))
}

func timeToProto(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

func timeFromProto(t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.AsTime()
}

func optional[T any](value *T) *T {
	if value == nil {
		return nil
	}
	kept := *value
	return &kept
}

// given carries a value that may be absent to its message.
func given[From, To any](value *From, convert func(From) *To) *To {
	if value == nil {
		return nil
	}
	return convert(*value)
}

// stated carries a message that may be absent: absent, it isn't the same as empty.
func stated[From, To any](message *From, convert func(*From) To) *To {
	if message == nil {
		return nil
	}
	value := convert(message)
	return &value
}

// etag names the version of a record that was kept; one that wasn't yet has none.
func etag(revision int64) string {
	if revision == 0 {
		return ""
	}
	return trial.Etag(revision)
}
