#include <setjmp.h>
#include <stdint.h>
#include <stdio.h>

#include <jpeglib.h>

int tw_jpeg_bgr(const uint8_t *data, unsigned long size, int w, int h, uint8_t *out);
int tw_jpeg_of(const uint8_t *bgr, int w, int h, int quality, uint8_t **out, unsigned long *size);

#ifdef JCS_EXTENSIONS

// The library calls back where it can't go on, and its own way out is to end the
// program.
struct errors {
	struct jpeg_error_mgr own;
	jmp_buf back;
};

static void give_up(j_common_ptr c) { longjmp(((struct errors *)c->err)->back, 1); }

// A warning is counted, and not printed.
static void message(j_common_ptr c, int level)
{
	if (level < 0)
		c->err->num_warnings++;
}

int tw_jpeg_bgr(const uint8_t *data, unsigned long size, int w, int h, uint8_t *out)
{
	struct jpeg_decompress_struct d;
	struct errors e;
	volatile int done = 0;
	d.err = jpeg_std_error(&e.own);
	e.own.error_exit = give_up;
	e.own.emit_message = message;
	if (setjmp(e.back)) {
		jpeg_destroy_decompress(&d);
		return 0;
	}
	jpeg_create_decompress(&d);
	jpeg_mem_src(&d, (unsigned char *)data, size);
	jpeg_read_header(&d, TRUE);
	if (d.num_components == 3 && (d.jpeg_color_space == JCS_YCbCr || d.jpeg_color_space == JCS_RGB) && d.data_precision == 8 &&
	    d.image_width == (JDIMENSION)w && d.image_height == (JDIMENSION)h) {
		d.out_color_space = JCS_EXT_BGR;
		jpeg_start_decompress(&d);
		while (d.output_scanline < d.output_height && e.own.num_warnings == 0) {
			JSAMPROW row = out + 3 * (size_t)w * d.output_scanline;
			jpeg_read_scanlines(&d, &row, 1);
		}
		if (e.own.num_warnings == 0) {
			jpeg_finish_decompress(&d);
			done = e.own.num_warnings == 0;
		}
	}
	jpeg_destroy_decompress(&d);
	return done;
}

// tw_jpeg_of encodes; what it gives is to be freed.
int tw_jpeg_of(const uint8_t *bgr, int w, int h, int quality, uint8_t **out, unsigned long *size)
{
	struct jpeg_compress_struct c;
	struct errors e;
	*out = 0;
	*size = 0;
	c.err = jpeg_std_error(&e.own);
	e.own.error_exit = give_up;
	e.own.emit_message = message;
	if (setjmp(e.back)) {
		// Once rows were written the library may have moved what it gave us, and keeps
		// the new place to itself till the end: better lost than freed twice.
		if (c.next_scanline > 0)
			*out = 0;
		jpeg_destroy_compress(&c);
		return 0;
	}
	c.next_scanline = 0;
	jpeg_create_compress(&c);
	jpeg_mem_dest(&c, out, size);
	c.image_width = w;
	c.image_height = h;
	c.input_components = 3;
	c.in_color_space = JCS_EXT_BGR;
	jpeg_set_defaults(&c);
	jpeg_set_quality(&c, quality, TRUE);
	jpeg_start_compress(&c, TRUE);
	while (c.next_scanline < c.image_height) {
		JSAMPROW row = (JSAMPROW)bgr + 3 * (size_t)w * c.next_scanline;
		jpeg_write_scanlines(&c, &row, 1);
	}
	jpeg_finish_compress(&c);
	jpeg_destroy_compress(&c);
	return 1;
}

#else

int tw_jpeg_of(const uint8_t *bgr, int w, int h, int quality, uint8_t **out, unsigned long *size)
{
	(void)bgr, (void)w, (void)h, (void)quality, (void)out, (void)size;
	return 0;
}

int tw_jpeg_bgr(const uint8_t *data, unsigned long size, int w, int h, uint8_t *out)
{
	(void)data, (void)size, (void)w, (void)h, (void)out;
	return 0;
}

#endif
