#!/bin/sh
# Makes the samples beside it anew. Needs /usr/bin/python3 with numpy and skimage, and
# Debian's heif-enc (libheif-examples), cwebp, img2webp (webp), tiffcp (libtiff-tools),
# convert (imagemagick), avifenc (libavif-bin), cjpeg (libjpeg-turbo-progs), exiftool.
# The picture: 8 x 4 patches of 12 pixels, of colours by a rule; patches.csv lists them.
set -e
dir=$(mktemp -d)
python=/usr/bin/python3
$python - <<'P'
import numpy as np
from skimage import io
rng = [30, 95, 160, 225]
rows = []
im = np.zeros((48, 96, 3), np.uint8)
for j in range(4):
    for i in range(8):
        c = (rng[i % 4], rng[j], rng[(i // 4 * 2 + j) % 4])
        im[12*j:12*j+12, 12*i:12*i+12] = c
        rows.append("%d,%d,%d,%d,%d" % (i, j, *c))
io.imsave("chart.png", im, check_contrast=False)
open("patches.csv", "w").write("column,row,r,g,b\n" + "\n".join(rows) + "\n")
P
exif() {
	exiftool -q -overwrite_original -Make=Attic -Model="Attic Pocket 3" -FocalLengthIn35mmFormat=26 \
		-DateTimeOriginal="2026:05:02 10:11:12" -GPSLatitude=51.234567 -GPSLatitudeRef=N -GPSLongitude=6.789012 -GPSLongitudeRef=E "$@"
}
heif-enc -q 95 -p chroma=444 chart.png -o plain.heic
exif -n -Orientation=1 plain.heic
heif-enc -q 95 -b 10 -p chroma=444 chart.png -o ten-bit.heic
(cd ../../../internal/colour && PROFILES_DIR=$dir go test -count=1 -run TestWriteProfiles . >/dev/null)
exiftool -q "-icc_profile<=$dir/p3-v4.icc" chart.png -o p3.png
heif-enc -q 95 -p chroma=444 p3.png -o p3.heic
rm p3.png
convert chart.png -colorspace Gray grey.png
convert grey.png -extent 96x64 grey64.png # libheif 1.18 reads no grids of grey
heif-enc -q 95 grey64.png -o grey.heic
cwebp -quiet -q 95 chart.png -o lossy.webp
exif lossy.webp
cwebp -quiet -lossless chart.png -o lossless.webp
convert chart.png \( -size 96x48 gradient:white-black \) -alpha off -compose CopyOpacity -composite alpha.png
cwebp -quiet -lossless -exact alpha.png -o alpha.webp
img2webp -lossless chart.png grey.png -o animated.webp >/dev/null
convert chart.png -depth 8 -compress None plain.tif
exif plain.tif
convert chart.png -depth 8 -compress LZW lzw.tif
convert chart.png -depth 16 -compress Zip -define tiff:endian=msb deep.tif
convert grey.png -depth 16 -compress LZW grey16.tif
convert chart.png grey.png -depth 8 -compress LZW pages.tif
convert chart.png -colorspace CMYK -compress LZW cmyk.tif
convert chart.png -colorspace Lab -compress LZW lab.tif
convert chart.png -compress JPEG jpeg.tif
tiffcp -p separate plain.tif planar.tif
convert chart.png PNG48:deep.png
convert chart.png BMP3:plain.bmp
convert chart.png plain.gif
avifenc -q 60 chart.png plain.avif >/dev/null 2>&1 || avifenc chart.png plain.avif >/dev/null
convert chart.png ppm:- | cjpeg -quality 95 -sample 1x1 -arithmetic >arithmetic.jpg
convert chart.png ppm:- | cjpeg -quality 95 -sample 4x1 -restart 2 >four-one-one.jpg
convert chart.png ppm:- | cjpeg -quality 95 -sample 1x1 -progressive >progressive.jpg
convert chart.png -colorspace CMYK -quality 90 cmyk.jpg
rm grey.png grey64.png alpha.png
rm -r "$dir"
