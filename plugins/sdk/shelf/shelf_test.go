package shelf_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/shelf"
	datav1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/data/v1"
)

// read takes any text but "bad", which has two faults, and "odd", which has one of another kind.
func read(content []byte) (shelf.Piece[int], error) {
	switch string(content) {
	case "bad":
		return shelf.Piece[int]{}, shelf.Faults{"line 1: bad", "line 2: worse"}
	case "odd":
		return shelf.Piece[int]{}, errors.New("odd")
	}
	return shelf.Piece[int]{Name: string(content), Version: "1", Value: len(content)}, nil
}

func put(s *shelf.Shelf[int], content string) (digest string, err error) {
	sum := sha256.Sum256([]byte(content))
	digest = hex.EncodeToString(sum[:])
	_, err = s.PutData(context.Background(), &datav1.PutDataRequest{Sha256: digest, Content: []byte(content)})
	return digest, err
}

func TestShelf(t *testing.T) {
	s, err := shelf.New(read, []byte("own"))
	require.NoError(t, err)
	own, err := s.Find()
	require.NoError(t, err)
	require.Len(t, own, 1)
	assert.Equal(t, 3, own[0].Value)

	first, err := put(s, "first")
	require.NoError(t, err)
	_, err = put(s, "own")
	require.NoError(t, err, "what it came with may be put too")
	found, err := s.Find(first, own[0].SHA256)
	require.NoError(t, err)
	assert.Equal(t, []int{5, 3}, []int{found[0].Value, found[1].Value})

	var all sync.WaitGroup
	for i := range shelf.Most {
		all.Go(func() {
			_, err := put(s, fmt.Sprint("other ", i))
			assert.NoError(t, err)
		})
	}
	all.Wait()
	_, err = s.Find(first, own[0].SHA256, "x")
	require.Equal(t, codes.FailedPrecondition, status.Code(err), "the first is forgotten, and its own is not")
	asked := status.Convert(err).Details()[0].(*errdetails.PreconditionFailure).GetViolations()
	require.Len(t, asked, 2)
	assert.Equal(t, sdk.NeedsData, asked[0].GetType())
	assert.Equal(t, []string{first, "x"}, []string{asked[0].GetSubject(), asked[1].GetSubject()})

	for content, want := range map[string]int{"bad": 2, "odd": 1, "": 1} {
		_, err = put(s, content)
		require.Equal(t, codes.InvalidArgument, status.Code(err), content)
		assert.Len(t, status.Convert(err).Details()[0].(*errdetails.BadRequest).GetFieldViolations(), want)
	}
	_, err = s.PutData(t.Context(), &datav1.PutDataRequest{Sha256: first, Content: []byte("other")})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	_, err = shelf.New(read, []byte("bad"))
	require.Error(t, err)
}
