package store

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/klauspost/compress/zstd"

	"example.net/standwatch/correlate"
)

// How a block's body is packed.
const (
	packPlain = 1
	packZstd  = 2
)

// Bounds of a block. Plain ones stay small, because a commit rewrites the last
// leaf of the tree. Sealed ones give zstd some context and are still small, since
// a page of history may have to unpack a block for every record, which is most of
// what such a page costs.
const (
	plainBlockRecords  = 32
	plainBlockBytes    = 8 << 10
	sealedBlockRecords = 32
	sealedBlockBytes   = 8 << 10
	maxBlockBytes      = 64 << 20 // what a damaged header may make us allocate
)

// blockBuilder gathers consecutive records.
type blockBuilder struct {
	first correlate.Seq
	lens  []int
	body  []byte
}

func (b *blockBuilder) add(seq correlate.Seq, rec []byte) {
	if len(b.lens) == 0 {
		b.first = seq
	}
	b.lens = append(b.lens, len(rec))
	b.body = append(b.body, rec...)
}

func (b *blockBuilder) full(records, bytes int) bool {
	return len(b.lens) >= records || len(b.body) >= bytes
}

// take returns the plain body and empties the builder.
func (b *blockBuilder) take() []byte {
	out := make([]byte, 1, 1+binary.MaxVarintLen32*(1+len(b.lens))+len(b.body))
	out[0] = packPlain
	out = binary.AppendUvarint(out, uint64(len(b.lens)))
	for _, n := range b.lens {
		out = binary.AppendUvarint(out, uint64(n))
	}
	out = append(out, b.body...)
	b.lens, b.body = b.lens[:0], b.body[:0]
	return out
}

// compress returns the block packed with zstd, or as it is where that does not
// pay.
func compress(enc *zstd.Encoder, block []byte) []byte {
	packed := enc.EncodeAll(block[1:], make([]byte, 1, len(block)))
	packed[0] = packZstd
	if len(packed) >= len(block) {
		return block
	}
	return packed
}

var errBlock = errors.New("block is damaged")

// blockView is an unpacked block.
type blockView struct {
	first correlate.Seq
	ends  []int
	body  []byte
}

func (v *blockView) count() int { return len(v.ends) }

func (v *blockView) last() correlate.Seq { return v.first + correlate.Seq(len(v.ends)) - 1 }

// record returns the octets of the block's i-th record, which alias the block.
func (v *blockView) record(i int) []byte {
	from := 0
	if i > 0 {
		from = v.ends[i-1]
	}
	return v.body[from:v.ends[i]]
}

// parseBlock unpacks a block. The view aliases data when it is plain.
func parseBlock(dec *zstd.Decoder, first correlate.Seq, data []byte) (*blockView, error) {
	if len(data) < 2 {
		return nil, fmt.Errorf("block %d: %w", first, errBlock)
	}
	body := data[1:]
	switch data[0] {
	case packPlain:
	case packZstd:
		var err error
		if body, err = dec.DecodeAll(body, nil); err != nil {
			return nil, fmt.Errorf("block %d: %w: %w", first, errBlock, err)
		}
	default:
		return nil, fmt.Errorf("block %d: packing %d is not known: %w", first, data[0], errBlock)
	}
	count, n := binary.Uvarint(body)
	if n <= 0 || count == 0 || count > uint64(len(body)) {
		return nil, fmt.Errorf("block %d: %w", first, errBlock)
	}
	body = body[n:]
	v := &blockView{first: first, ends: make([]int, count)}
	end := 0
	for i := range v.ends {
		size, n := binary.Uvarint(body)
		if n <= 0 || size > maxBlockBytes {
			return nil, fmt.Errorf("block %d: %w", first, errBlock)
		}
		body = body[n:]
		end += int(size)
		v.ends[i] = end
	}
	if end != len(body) {
		return nil, fmt.Errorf("block %d: %w", first, errBlock)
	}
	v.body = body
	return v, nil
}
