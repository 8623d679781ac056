# Made by hardware/generate.py from hardware/board.toml: change that file, not this one.
NAME = "pico-3x-ina228"
SOLAR_PLACEMENT = "controller-output"
SAMPLE_MS = 100
WATCHDOG_MS = 8000
LED_PIN = "LED"
I2C_ID = 0
SDA_PIN = 4
SCL_PIN = 5
I2C_HZ = 400000
TEMP_CHIP = "ds18b20"
TEMP_PIN = 22
TEMP_EVERY_MS = 2000
# name, chip, I2C address, shunt in nano-ohms, SHUNT_CAL, ADCRANGE, ADC_CONFIG
CHANNELS = (
    ("solar", "ina228", 0x40, 5000000, 4100, 0, 0xB76B),
    ("battery", "ina228", 0x41, 2000000, 4100, 0, 0xB76B),
    ("load", "ina228", 0x44, 2000000, 4100, 0, 0xB76B),
)
