# Made by hardware/generate.py from hardware/board.toml: change that file, not this one.
NAME = "pico-3x-ina228"
SOLAR_PLACEMENT = "controller-output"
SAMPLE_MS = 100
ALONE_MS = 200
WATCHDOG_MS = 8000
LED_PIN = "LED"
I2C_ID = 0
SDA_PIN = 4
SCL_PIN = 5
I2C_HZ = 400000
TEMP_CHIP = "ds18b20"
TEMP_PIN = 22
TEMP_EVERY_MS = 2000
LOG_S = 10
LOG_BYTES = 900000
VBUS_PIN = 24
LIGHTSLEEP = True
GPS = None
PIEZO_PIN = None
DISPLAY = None
ALARMS = {"deficit_s": 600, "deficit_ma": 200, "cold_c16": 0, "over_ma": (16000, 30000, 30000)}
OWN_UA = (100, 2100)
FED_BY = "box"
CHANNELS = (
    {"name": "solar", "chip": "ina228", "address": 0x40, "shunt_nohm": 5000000, "max_ma": 16000},
    {"name": "battery", "chip": "ina228", "address": 0x41, "shunt_nohm": 2000000, "max_ma": 30000},
    {"name": "load", "chip": "ina228", "address": 0x44, "shunt_nohm": 2000000, "max_ma": 30000},
)
