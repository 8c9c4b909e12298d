/* stop.h - Ctrl-C and its relatives ask for an orderly end: a flag is set, the work polls it, and temporary files are
 * removed on the ordinary way out. */
#ifndef RF_STOP_H
#define RF_STOP_H

/* SIGINT, SIGTERM and SIGHUP set the flag from now on, unless the caller had them ignored (nohup, background jobs). */
void rf_stop_install(void);
int rf_stop_asked(void);

#endif
