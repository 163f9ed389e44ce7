// Package jpegls decodes JPEG-LS (ITU-T T.87), lossless and near-lossless, with
// CharLS.
package jpegls

/*
#cgo pkg-config: charls
#include <charls/charls.h>

// decode writes the frame src into dst. *info is what the codestream says of
// itself, *interleave how it orders samples; where they are not those wanted
// nothing is decoded.
static int decode(const void* src, size_t n, void* dst, size_t room, charls_frame_info want, charls_frame_info* info, int* interleave)
{
	charls_jpegls_decoder* d = charls_jpegls_decoder_create();
	if (!d) return -1;
	charls_interleave_mode mode = CHARLS_INTERLEAVE_MODE_NONE;
	size_t size = 0;
	int e = charls_jpegls_decoder_set_source_buffer(d, src, n);
	if (!e) e = charls_jpegls_decoder_read_header(d);
	if (!e) e = charls_jpegls_decoder_get_frame_info(d, info);
	if (!e) e = charls_jpegls_decoder_get_interleave_mode(d, &mode);
	if (!e) e = charls_jpegls_decoder_get_destination_size(d, 0, &size);
	*interleave = mode;
	if (!e && (info->width != want.width || info->height != want.height ||
	           info->component_count != want.component_count ||
	           info->bits_per_sample != want.bits_per_sample || size != room)) e = -2;
	if (!e) e = charls_jpegls_decoder_decode_to_buffer(d, dst, room, 0);
	charls_jpegls_decoder_destroy(d);
	return e;
}
*/
import "C"

import (
	"fmt"
	"unsafe"

	"shaftgauge/pipeline/intake/codec"
)

// Decode decodes src, whose frame header says shape, into dst, which holds
// Rows·Cols·Samples words. Two bytes are appended to src.
//
// Errors: damage, data missing, or a frame header that CharLS reads differently.
func Decode(dst []uint16, src []byte, shape codec.Shape) error {
	if len(src) == 0 || len(dst) != shape.Words() || len(dst) == 0 {
		return fmt.Errorf("jpegls: no frame of %d samples", len(dst))
	}
	// CharLS 2.4 counts zeros for seconds past the end of a codestream that was
	// cut off; an end-of-image marker stops it.
	src = append(src, 0xFF, 0xD9)
	room := 2 * len(dst)
	at := unsafe.Pointer(&dst[0])
	if shape.Bits <= 8 { // bytes, into the second half, and spread out below
		room = len(dst)
		at = unsafe.Add(at, len(dst))
	}
	want := C.charls_frame_info{
		width:           C.uint32_t(shape.Cols),
		height:          C.uint32_t(shape.Rows),
		bits_per_sample: C.int32_t(shape.Bits),
		component_count: C.int32_t(shape.Samples),
	}
	var info C.charls_frame_info
	var interleave C.int
	if e := C.decode(unsafe.Pointer(&src[0]), C.size_t(len(src)), at, C.size_t(room), want, &info, &interleave); e != 0 {
		return fmt.Errorf("jpegls: CharLS error %d", int(e))
	}
	if shape.Bits <= 8 {
		narrow := unsafe.Slice((*byte)(at), len(dst))
		for i, v := range narrow {
			dst[i] = uint16(v)
		}
	}
	if shape.Samples > 1 && interleave == C.CHARLS_INTERLEAVE_MODE_NONE { // plane by plane
		planes := append([]uint16(nil), dst...)
		n := shape.Rows * shape.Cols
		for i, v := range planes {
			dst[i%n*shape.Samples+i/n] = v
		}
	}
	return nil
}
