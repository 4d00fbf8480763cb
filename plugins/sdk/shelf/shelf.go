// Package shelf serves commonvat.module.data.v1 for a module whose calls name data by digest: rule packs, tables of facts.
//
//	packs := shelf.New(read, shelf.Own(text))        // when the module starts
//	datav1.RegisterDataServiceServer(server, packs)  // beside the service of its kind
//	found, err := packs.Find(request.GetPackSha256()...)
//
// What Find doesn't hold, its error asks the host for; the host puts it and calls again. Pieces are read once, when they are put, and kept
// read; after [Most] the one that was put first is forgotten.
package shelf

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"sync"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/sdk"
	datav1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/data/v1"
)

// Most pieces are held at a time, besides what the module came with.
const Most = 16

// maxContent is the bound of data.proto.
const maxContent = 2 << 20

// Piece is a piece of data as it was read.
type Piece[T any] struct {
	Name, Version string
	// SHA256 of the content in lower-case hexadecimal; filled by the shelf.
	SHA256 string
	Value  T
}

// Faults is what is wrong with data: each is told by itself, at best with its place in the text.
type Faults []string

// Error implements error.
func (f Faults) Error() string {
	return fmt.Sprintf("%d faults, the first: %s", len(f), append(f, "none")[0])
}

// Read reads and tries content. An error that is Faults refuses the content with each of them; another refuses it with its own text.
type Read[T any] func(content []byte) (Piece[T], error)

// Shelf holds data. It is safe for use by many calls at once.
type Shelf[T any] struct {
	datav1.UnimplementedDataServiceServer
	read Read[T]
	own  []*datav1.OwnData

	mu    sync.Mutex
	held  map[string]Piece[T]
	order []string // of what was put
}

var _ datav1.DataServiceServer = (*Shelf[int])(nil)

// New makes a shelf that holds what the module came with. The error is that of read.
func New[T any](read Read[T], own ...[]byte) (*Shelf[T], error) {
	s := &Shelf[T]{read: read, held: map[string]Piece[T]{}}
	for _, content := range own {
		piece, err := read(content)
		if err != nil {
			return nil, fmt.Errorf("data that the module comes with: %w", err)
		}
		piece.SHA256 = digestOf(content)
		s.held[piece.SHA256] = piece
		s.own = append(s.own, &datav1.OwnData{Sha256: piece.SHA256, Name: piece.Name, Version: piece.Version, Content: content})
	}
	return s, nil
}

// PutData implements datav1.DataServiceServer.
func (s *Shelf[T]) PutData(_ context.Context, req *datav1.PutDataRequest) (*datav1.PutDataResponse, error) {
	var v sdk.Violations
	if n := len(req.GetContent()); n == 0 || n > maxContent {
		v.Add("content", "has %d bytes, want 1 to %d", n, maxContent)
	}
	if req.GetSha256() != digestOf(req.GetContent()) {
		v.Add("sha256", "is %.80q, which is not that of content", req.GetSha256())
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	piece, err := s.read(req.GetContent())
	var faults Faults
	switch {
	case errors.As(err, &faults):
		for _, fault := range faults {
			v.Add("content", "%s", fault)
		}
		return nil, v.Err()
	case err != nil:
		v.Add("content", "%v", err)
		return nil, v.Err()
	}
	piece.SHA256 = req.GetSha256()
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, ok := s.held[piece.SHA256]; !ok {
		s.held[piece.SHA256] = piece
		s.order = append(s.order, piece.SHA256)
		if len(s.order) > Most {
			delete(s.held, s.order[0])
			s.order = s.order[1:]
		}
	}
	return &datav1.PutDataResponse{Name: piece.Name, Version: piece.Version}, nil
}

// ListOwnData implements datav1.DataServiceServer.
func (s *Shelf[T]) ListOwnData(context.Context, *datav1.ListOwnDataRequest) (*datav1.ListOwnDataResponse, error) {
	return &datav1.ListOwnDataResponse{Data: s.own}, nil
}

// Find gives the pieces with these digests, in their order; without any, what the module came with. The error is a status that asks the host
// for all that is missing.
func (s *Shelf[T]) Find(digests ...string) ([]Piece[T], error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(digests) == 0 {
		for _, own := range s.own {
			digests = append(digests, own.GetSha256())
		}
	}
	var found []Piece[T]
	needs := &errdetails.PreconditionFailure{}
	for _, d := range digests {
		piece, ok := s.held[d]
		if !ok {
			needs.Violations = append(needs.Violations, &errdetails.PreconditionFailure_Violation{Type: sdk.NeedsData, Subject: d, Description: "data that this module doesn't hold"})
			continue
		}
		found = append(found, piece)
	}
	if len(needs.GetViolations()) == 0 {
		return found, nil
	}
	st, err := status.New(codes.FailedPrecondition, fmt.Sprintf("needs %d pieces of data", len(needs.GetViolations()))).WithDetails(needs)
	if err != nil {
		return nil, status.Error(codes.Internal, err.Error())
	}
	return nil, st.Err()
}

func digestOf(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}
