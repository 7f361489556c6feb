#pragma once
#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

// penarm_setup makes OpenCV quiet and single-threaded.
void penarm_setup(void);

// penarm_decode decodes a picture as stored: into pix where that turns out to be
// height rows of width pixels of 8 bits in the given number of channels (result
// 0), else into the cv::Mat at mat (result 1). On failure (result -1) the
// message, at most n bytes, may say why. It lets no exception out.
int penarm_decode(const void *data, int size, void *pix, int width, int height, int channels,
                  void *mat, char *message, size_t n);

// penarm_encode encodes height rows of width pixels of 8 bits in blue, green and
// red as JPEG. The caller frees what out points to. On failure (result -1) the
// message, at most n bytes, may say why. It lets no exception out.
int penarm_encode(const void *pix, int width, int height, int quality, void **out, size_t *size,
                  char *message, size_t n);

#ifdef __cplusplus
}
#endif
