#pragma once
#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

// penarm_setup makes OpenCV quiet and single-threaded.
void penarm_setup(void);

// penarm_decode decodes a picture of height rows of width pixels as stored: into
// pix where it turns out to have 8 bits and *channels channels (result 0), else
// into memory of its own at *other, which the caller frees, 8 bits a channel,
// with *channels set (result 1). On failure (result -1) the message, at most n
// bytes, may say why. It lets no exception out.
int penarm_decode(const void *data, int size, void *pix, int width, int height,
                  int *channels, void **other, char *message, size_t n);

#ifdef __cplusplus
}
#endif
