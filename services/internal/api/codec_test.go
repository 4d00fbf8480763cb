package api

import (
	"fmt"
	"runtime"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/api/validate/hostile"
)

// A request of nothing but empty elements, as long as one may be, takes little memory, and is told what is wrong with it.
func TestEndlessListsAreNotRead(t *testing.T) {
	for seed := range uint64(6) {
		request := &labpb.SubmitTrialRequest{}
		body := hostile.New(seed, 0, hostile.Known{}).Endless(request.ProtoReflect().Descriptor(), MaxReceiveBytes)
		require.Greater(t, len(body), MaxReceiveBytes/2)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		require.NoError(t, newCodec().Unmarshal(mem.BufferSlice{mem.SliceBuffer(body)}, request))
		runtime.ReadMemStats(&after)
		assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(4*MaxReceiveBytes))
		assert.ErrorContains(t, check("/commonvat.lab.v1.TrialService/SubmitTrial", request), "has more than 250000 messages within it")
	}
}

// What the tables allow and a trial of real work stays far below is read: a thousand pieces, five thousand of each entry, two hundred baths.
func TestLargeTrialIsRead(t *testing.T) {
	id := func() string { return uuid.Must(uuid.NewV7()).String() }
	request := &labpb.SubmitTrialRequest{RequestId: id(), Trial: &labpb.Trial{Id: id(), Title: "large"}}
	for range 1000 {
		request.Trial.Pieces = append(request.Trial.Pieces, &labpb.Piece{Id: id()})
	}
	for range 5000 {
		request.Trial.Looks = append(request.Trial.Looks, &labpb.Look{Id: id(), Text: "green"})
		request.Trial.Readings = append(request.Trial.Readings, &labpb.Reading{Id: id()})
		request.Trial.Immersions = append(request.Trial.Immersions, &labpb.Immersion{Id: id()})
	}
	for range 200 {
		bath := &labpb.Bath{Id: id()}
		for range 400 {
			bath.Additions = append(bath.Additions, &labpb.Addition{Id: id(), Material: "weld"})
		}
		request.Baths = append(request.Baths, bath)
	}
	body, err := proto.Marshal(request)
	require.NoError(t, err)
	require.Less(t, len(body), MaxReceiveBytes)
	read := &labpb.SubmitTrialRequest{}
	require.NoError(t, newCodec().Unmarshal(mem.BufferSlice{mem.SliceBuffer(body)}, read))
	assert.True(t, proto.Equal(request, read))
}

// The count is that of reading: whatever the bytes are, if they are a message, the messages and elements in it were counted, or more
// where the same field came twice.
func FuzzCount(f *testing.F) {
	kinds := []proto.Message{&labpb.SubmitTrialRequest{}, &labpb.ImportReadingsRequest{}, &labpb.UpdateTrialRequest{}, &poolpb.AskPaletteRequest{}}
	for i, kind := range kinds {
		made := hostile.New(uint64(i), 1, hostile.Known{})
		for range 5 {
			f.Add(uint8(i), made.Wire(kind.ProtoReflect().Descriptor(), 1<<16))
		}
		f.Add(uint8(i), made.Endless(kind.ProtoReflect().Descriptor(), 1000))
	}
	f.Fuzz(func(t *testing.T, which uint8, body []byte) {
		message := proto.Clone(kinds[int(which)%len(kinds)])
		counted := count(body, message.ProtoReflect().Descriptor(), 1<<30)
		require.LessOrEqual(t, counted, len(body)/2)
		require.LessOrEqual(t, min(counted, 6), count(body, message.ProtoReflect().Descriptor(), 5), "it stops later than the bound")
		if proto.Unmarshal(body, message) == nil {
			require.GreaterOrEqual(t, counted, elements(message.ProtoReflect()), fmt.Sprintf("%x", body))
		}
	})
}

// elements counts what was read.
func elements(message protoreflect.Message) (n int) {
	message.Range(func(fd protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		switch {
		case fd.IsList() && fd.Message() != nil:
			for i := range value.List().Len() {
				n += 1 + elements(value.List().Get(i).Message())
			}
		case fd.IsList() && !fd.IsPacked():
			n += value.List().Len()
		case fd.Message() != nil:
			n += 1 + elements(value.Message())
		}
		return true
	})
	return n
}
