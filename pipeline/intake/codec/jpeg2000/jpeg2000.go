// Package jpeg2000 decodes JPEG 2000 codestreams (ITU-T T.800), reversible and
// irreversible, with OpenJPEG in strict mode: a codestream cut short is an
// error, not a blurred picture.
package jpeg2000

/*
#cgo pkg-config: libopenjp2
#include <malloc.h>
#include <openjpeg.h>
#include <string.h>

typedef struct { const unsigned char* data; size_t n, at; } source;

static OPJ_SIZE_T source_read(void* to, OPJ_SIZE_T n, void* user)
{
	source* s = user;
	if (s->at >= s->n) return (OPJ_SIZE_T)-1;
	if (n > s->n - s->at) n = s->n - s->at;
	memcpy(to, s->data + s->at, n);
	s->at += n;
	return n;
}

static OPJ_OFF_T source_skip(OPJ_OFF_T n, void* user)
{
	source* s = user;
	if (n < 0 || (size_t)n > s->n - s->at) return -1;
	s->at += (size_t)n;
	return n;
}

static OPJ_BOOL source_seek(OPJ_OFF_T to, void* user)
{
	source* s = user;
	if (to < 0 || (size_t)to > s->n) return OPJ_FALSE;
	s->at = (size_t)to;
	return OPJ_TRUE;
}

// decode returns the decoded image, or NULL. The data must stay where they are
// until it returns.
static opj_image_t* decode(const unsigned char* data, size_t n)
{
	source src = { data, n, 0 };
	opj_image_t* image = NULL;
	opj_dparameters_t parameters;
	opj_set_default_decoder_parameters(&parameters);
	opj_stream_t* stream = opj_stream_create(1 << 16, OPJ_TRUE);
	opj_codec_t* codec = opj_create_decompress(OPJ_CODEC_J2K);
	int ok = stream && codec;
	if (ok) {
		opj_stream_set_read_function(stream, source_read);
		opj_stream_set_skip_function(stream, source_skip);
		opj_stream_set_seek_function(stream, source_seek);
		opj_stream_set_user_data(stream, &src, NULL);
		opj_stream_set_user_data_length(stream, n);
		ok = opj_setup_decoder(codec, &parameters) && opj_decoder_set_strict_mode(codec, OPJ_TRUE)
			&& opj_read_header(stream, codec, &image)
			&& opj_decode(codec, stream, image)
			&& opj_end_decompress(codec, stream);
	}
	if (stream) opj_stream_destroy(stream);
	if (codec) opj_destroy_codec(codec);
	if (!ok && image) { opj_image_destroy(image); image = NULL; }
	return image;
}

// release destroys the image and hands the memory back to the system: glibc
// would keep it for the thread that happened to decode, 4 bytes a pixel each.
static void release(opj_image_t* image)
{
	opj_image_destroy(image);
	malloc_trim(0);
}
*/
import "C"

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"unsafe"

	"shaftgauge/pipeline/intake/codec"
)

// maxTiles bounds the tables that OpenJPEG allocates for tiles, about 6 kB each.
const maxTiles = 4096

// Codestream returns the codestream within a JP2 file, which some systems store
// against PS3.5 A.4.4, or src itself.
func Codestream(src []byte) []byte {
	if bytes.HasPrefix(src, []byte("\x00\x00\x00\x0CjP  ")) {
		if i := bytes.Index(src, []byte("\xFF\x4F\xFF\x51")); i > 0 {
			return src[i:]
		}
	}
	return src
}

// Inspect returns the shape that the SIZ segment (A.5.1) claims.
//
// Errors: no codestream, or impossible sizes; codec.ErrUnsupported for
// subsampled components or components of unequal precision.
func Inspect(src []byte) (codec.Shape, error) {
	if len(src) < 42 || !bytes.HasPrefix(src, []byte("\xFF\x4F\xFF\x51")) {
		return codec.Shape{}, fmt.Errorf("jpeg2000: no codestream")
	}
	at := func(i int) int64 { return int64(binary.BigEndian.Uint32(src[8+4*i:])) }
	w, h, x0, y0, tw, th, tx0, ty0 := at(0), at(1), at(2), at(3), at(4), at(5), at(6), at(7)
	n := int(binary.BigEndian.Uint16(src[40:]))
	if w <= x0 || h <= y0 || tw == 0 || th == 0 || tx0 > x0 || ty0 > y0 || n == 0 || len(src) < 42+3*n ||
		int(binary.BigEndian.Uint16(src[4:])) != 38+3*n {
		return codec.Shape{}, fmt.Errorf("jpeg2000: broken SIZ segment")
	}
	if tiles := ((w - tx0 + tw - 1) / tw) * ((h - ty0 + th - 1) / th); tiles > maxTiles {
		return codec.Shape{}, fmt.Errorf("jpeg2000: %d tiles: %w", tiles, codec.ErrUnsupported)
	}
	s := codec.Shape{Rows: int(h - y0), Cols: int(w - x0), Samples: n, Bits: int(src[42]&0x7F) + 1}
	for i := range n {
		if c := src[42+3*i : 45+3*i]; c[0] != src[42] || c[1] != 1 || c[2] != 1 {
			return codec.Shape{}, fmt.Errorf("jpeg2000: unequal components: %w", codec.ErrUnsupported)
		}
	}
	return s, nil
}

// Decode decodes src, of which Inspect said shape, into Rows·Cols·Samples words,
// allocated when OpenJPEG's own buffers but for the picture are gone. Signed
// samples are written in two's complement.
//
// Errors: damage or data missing.
func Decode(src []byte, shape codec.Shape) ([]uint16, error) {
	if len(src) == 0 || shape.Bits > 16 {
		return nil, fmt.Errorf("jpeg2000: no frame of %d bits in %d bytes", shape.Bits, len(src))
	}
	img := C.decode((*C.uchar)(unsafe.Pointer(&src[0])), C.size_t(len(src)))
	if img == nil {
		return nil, fmt.Errorf("jpeg2000: damaged or cut off")
	}
	defer C.release(img)
	comps := unsafe.Slice(img.comps, int(img.numcomps))
	if len(comps) != shape.Samples {
		return nil, fmt.Errorf("jpeg2000: %d components, header said %d", len(comps), shape.Samples)
	}
	dst := make([]uint16, shape.Words())
	for c, comp := range comps {
		if int(comp.w) != shape.Cols || int(comp.h) != shape.Rows || int(comp.prec) != shape.Bits || comp.data == nil {
			return nil, fmt.Errorf("jpeg2000: component %d is %d x %d of %d bits", c, comp.w, comp.h, comp.prec)
		}
		for i, v := range unsafe.Slice((*int32)(unsafe.Pointer(comp.data)), shape.Rows*shape.Cols) {
			dst[i*shape.Samples+c] = uint16(v)
		}
	}
	return dst, nil
}
