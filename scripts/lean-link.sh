# Sourced before Go builds: has the linker leave out the libraries that no code of
# ours leads to. OpenCV's binding has a call for everything, windows and films
# included, and half of the 265 libraries that come with it are for those: a program
# without them starts in half the time, and each of its processes takes 15 MB less.
# Only LLVM's linker drops a library whose every caller was dropped; without it, and
# on systems that link otherwise, the build is as Go makes it.
if command -v ld.lld >/dev/null 2>&1 && [ "$(uname -s)" = Linux ]; then
	CGO_CFLAGS="${CGO_CFLAGS--g -O2} -ffunction-sections -fdata-sections"
	CGO_CXXFLAGS="${CGO_CXXFLAGS--g -O2} -ffunction-sections -fdata-sections"
	CGO_LDFLAGS="${CGO_LDFLAGS--g -O2} -fuse-ld=lld -Wl,--gc-sections -Wl,--as-needed"
	export CGO_CFLAGS CGO_CXXFLAGS CGO_LDFLAGS
fi
