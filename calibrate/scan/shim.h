#pragma once
#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

// penarm_setup makes OpenCV quiet and single-threaded.
void penarm_setup(void);

// penarm_decode decodes as stored into the cv::Mat at mat; 0 on success, else
// the message (at most n bytes) says why. It lets no exception out.
int penarm_decode(const void *data, int size, void *mat, char *message, size_t n);

#ifdef __cplusplus
}
#endif
