package stage

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/clients/commonvat-demo/internal/invent"
	"github.com/commonvat/commonvat/clients/commonvat-demo/internal/load"
	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
)

const loadWithin = 2 * time.Minute

// loadOnce sends the invented steps the first time. A mark in the folder says
// that they are in; without it all are sent, and those that were in already are answered as before.
func (s *show) loadOnce(ctx context.Context, steps []invent.Step) (err error) {
	mark := filepath.Join(s.DataDir, "demo-loaded")
	if _, err := os.Stat(mark); err == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, loadWithin)
	defer cancel()
	cast := &cast{show: s, conns: map[string]*grpc.ClientConn{}}
	defer func() { err = errors.Join(err, cast.close()) }()
	known := func(err error) bool { return status.Code(err) == codes.AlreadyExists }
	if err := load.Send(ctx, steps, cast.dial, known); err != nil {
		return err
	}
	return os.WriteFile(mark, nil, 0o600)
}

// cast holds the members' connections.
type cast struct {
	*show
	conns map[string]*grpc.ClientConn
}

func (c *cast) close() error {
	var faults []error
	for _, conn := range c.conns {
		faults = append(faults, conn.Close())
	}
	return errors.Join(faults...)
}

// dial gives a member's connection; the member's token is asked of the steward
// when there is none yet, and kept in a file that only we may read.
func (c *cast) dial(ctx context.Context, member string) (grpc.ClientConnInterface, error) {
	if conn, ok := c.conns[member]; ok {
		return conn, nil
	}
	token, err := os.ReadFile(c.tokenFile(member))
	if errors.Is(err, os.ErrNotExist) {
		token, err = c.issue(ctx, member)
	}
	if err != nil {
		return nil, err
	}
	conn, err := grpc.NewClient(c.address,
		grpc.WithTransportCredentials(insecure.NewCredentials()), // loopback only
		grpc.WithUnaryInterceptor(func(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn,
			invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
			ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+strings.TrimSpace(string(token)))
			return invoke(ctx, method, req, reply, cc, opts...)
		}))
	if err != nil {
		return nil, err
	}
	c.conns[member] = conn
	return conn, nil
}

func (c *cast) issue(ctx context.Context, member string) ([]byte, error) {
	steward, err := c.dial(ctx, invent.Steward)
	if err != nil {
		return nil, err
	}
	answer, err := accessv1.NewAccessServiceClient(steward).IssueToken(ctx, &accessv1.IssueTokenRequest{
		MemberId: member, Label: "demo",
	})
	if err != nil {
		return nil, err
	}
	token := []byte(answer.GetToken() + "\n")
	return token, os.WriteFile(c.tokenFile(member), token, 0o600)
}
