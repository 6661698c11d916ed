package receiver

import (
	"context"
	"fmt"
	"net"
	"time"
)

// BurstOptions say how a Burst is sent.
type BurstOptions struct {
	Count int     // datagrams to send, the list over and over; 0: each once
	Rate  float64 // datagrams a second; 0: as fast as it goes
	Batch int     // datagrams a system call, at most 64; 0: 64
}

// Burst sends datagrams over a connected socket, many with one system call
// (sendmmsg) where the system has that. It is for trials: it does not wait for
// answers. It returns how many were handed to the kernel, which may still drop
// them, when all are, when ctx ends, or at the first error.
func Burst(ctx context.Context, conn *net.UDPConn, datagrams [][]byte, o BurstOptions) (sent int, err error) {
	if len(datagrams) == 0 {
		return 0, nil
	}
	if o.Count == 0 {
		o.Count = len(datagrams)
	}
	if o.Batch <= 0 || o.Batch > batchLen {
		o.Batch = batchLen
	}
	if o.Rate > 0 {
		o.Batch = max(1, min(o.Batch, int(o.Rate/100))) // no less smooth than every 10 ms
	}
	out, err := newBatchWriter(conn)
	if err != nil {
		return 0, fmt.Errorf("send a burst: %w", err)
	}
	begin, pause := time.Now(), time.NewTimer(0)
	defer pause.Stop()
	<-pause.C
	for sent < o.Count {
		if o.Rate > 0 {
			pause.Reset(time.Until(begin.Add(time.Duration(float64(sent) / o.Rate * float64(time.Second)))))
			select {
			case <-pause.C:
			case <-ctx.Done():
			}
		}
		if ctx.Err() != nil {
			return sent, ctx.Err()
		}
		n, err := out.write(datagrams, sent%len(datagrams), min(o.Batch, o.Count-sent))
		sent += n
		if err != nil {
			return sent, fmt.Errorf("send a burst: %w", err)
		}
	}
	return sent, nil
}
