/* Stands in for the header of the C option: the declarations that the programs use, written for the tests. */
#include <arpa/inet.h>
#include <netinet/in.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <sys/time.h>

typedef int LONG;
typedef short SHORT;
typedef unsigned short USHORT;
typedef unsigned char UCHAR;
typedef int (*FUNCPTR)();

typedef struct { USHORT usType; USHORT usIndex; } MP_VAR_INFO;
typedef struct { USHORT usType; USHORT usIndex; LONG ulValue; } MP_VAR_DATA;
typedef struct { USHORT usType; USHORT usIndex; UCHAR ucValue[33]; } MP_SVAR_INFO;
typedef struct { SHORT sCtrlGrp; } MP_CTRL_GRP_SEND_DATA;
typedef struct { LONG lPos[8]; SHORT sConfig; } MP_CART_POS_RSP_DATA;

enum { MP_RESTYPE_VAR_B, MP_RESTYPE_VAR_I, MP_RESTYPE_VAR_D, MP_RESTYPE_VAR_R, MP_RESTYPE_VAR_S };
enum { MP_PRI_TIME_NORMAL, MP_STACK_SIZE };

int mpGetVarData(MP_VAR_INFO *info, LONG *value, LONG count);
int mpPutVarData(MP_VAR_DATA *data, LONG count);
int mpPutSVarInfo(MP_SVAR_INFO *data, LONG count);
int mpGetCartPos(MP_CTRL_GRP_SEND_DATA *group, MP_CART_POS_RSP_DATA *position);
int mpTaskDelay(int ticks);
int mpCreateTask(int priority, int stack, FUNCPTR entry, int, int, int, int, int, int, int, int, int, int);
int mpSocket(int domain, int type, int protocol);
int mpConnect(int socket, const struct sockaddr *address, int length);
int mpSend(int socket, const char *data, int length, int flags);
int mpRecv(int socket, char *data, int length, int flags);
int mpSelect(int count, fd_set *reads, fd_set *writes, fd_set *errors, struct timeval *limit);
int mpClose(int socket);
unsigned int mpInetAddr(char *address);
unsigned short mpHtons(unsigned short port);
